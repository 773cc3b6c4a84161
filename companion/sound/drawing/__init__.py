"""What pictures of sound are made from, read in a process of its own: a stranger's file may crash a decoder."""
