"""Commands: each reads its options, calls one room and prints.

``main.main`` is the program; it turns errors into one line and an exit code.
"""
