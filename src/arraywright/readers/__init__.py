"""Files that people have, read into rows and findings."""
