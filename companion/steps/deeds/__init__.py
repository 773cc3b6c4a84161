"""What is done with a folder beyond looking: begin, write, waive, pack, release, keep snapshots."""
