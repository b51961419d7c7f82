"""What goes into the write-up: page, sheet, pictures, overview, and what is kept so that it opens at once."""
