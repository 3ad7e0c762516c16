"""What the demo's invented garden has behind it: two winters under weather that was real."""
