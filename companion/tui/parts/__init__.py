"""What bodies and screens are made of: forms, lists, dialogs, and text made safe to show."""
