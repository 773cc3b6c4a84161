"""What becomes a picture, and of which shapes: from findings and measured data. Each picture is a module."""
