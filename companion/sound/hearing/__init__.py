"""Sound to be heard: read, brought to a device's rate and played in a process of its own, never in the caller's."""
