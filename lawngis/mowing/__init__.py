"""Mowing: capacity and weekly plans."""
