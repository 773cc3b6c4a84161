"""The test performance: planned, written as MIDI, and judged from a bounce of it."""
