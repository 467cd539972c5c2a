"""Commands: each reads its options, calls one room and prints."""
