"""What changed: between snapshots, releases and the folder as it is, and what no snapshot holds."""
