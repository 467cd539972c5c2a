"""Plug-ins of the server: processes run as commands, jobs that can be ended, layers of a plan."""
