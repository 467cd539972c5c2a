"""What somebody measured on site, read and checked, as facts for the steps."""
