"""What the canonical tables hold: columns, units, causes, light bands, and the words that files use for them."""
