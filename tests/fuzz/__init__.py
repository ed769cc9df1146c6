"""A small company's files, spoiled at random: no traceback, and no row and no page lost in silence."""
