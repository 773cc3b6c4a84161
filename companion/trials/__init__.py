"""What a person judges: controls, plans, answers, away tests."""
