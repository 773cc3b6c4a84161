"""Reading audio files: headers and chunks by our own readers, samples by the decoder."""
