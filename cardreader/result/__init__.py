"""What people and machines are shown: text, JSON and pictures."""
