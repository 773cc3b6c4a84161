"""What the samples are: reading, measures, zones, and the checks on them."""
