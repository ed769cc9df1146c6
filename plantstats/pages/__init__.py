"""Every word that people read, one file a page."""
