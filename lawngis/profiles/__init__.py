"""Mower profiles that come with lawngis, one TOML file each."""
