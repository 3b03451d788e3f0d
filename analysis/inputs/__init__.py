"""What the analysis is made from, read from the book, from files and from the rig."""
