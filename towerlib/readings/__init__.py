"""What one visit says, and how far it can be trusted."""
