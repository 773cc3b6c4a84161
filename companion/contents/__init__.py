"""What is in the folder: inventory, references, portable names, strays, paths."""
