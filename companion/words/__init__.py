"""Words that are true: changelog, readme, download page."""
