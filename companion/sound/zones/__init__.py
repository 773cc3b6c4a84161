"""Where each sample plays: note, velocity, take and layer; and the tuning its instrument shares."""
