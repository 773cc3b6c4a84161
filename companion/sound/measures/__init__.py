"""What is measured of one audio file, and measuring many of them in worker processes."""
