"""What each step looks at: from the desk to findings."""
