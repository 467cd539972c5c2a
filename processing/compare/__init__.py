"""Two plans side by side."""
