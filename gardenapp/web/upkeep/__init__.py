"""Pages for whoever looks after the installation, and for a member's own data."""
