"""What was laid, against what was planned; the record, and where to dig for a fault."""
