"""What every room may rely on: plain values and pure functions, plus the few safe ways to touch a file."""
