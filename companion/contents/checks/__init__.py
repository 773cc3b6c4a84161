"""What is looked for: each rule with its check."""
