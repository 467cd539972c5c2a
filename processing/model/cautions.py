"""Sentences that every document carries."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "A plan from maps is a draft. Maps are old, incomplete and off by decimetres: walk the site, and measure what is "
    "listed as to be measured, before anything is laid.",
    "Steep banks, water's edges and drops can make a mower slip, sink or fall on somebody. Keep people off the slope "
    "below.",
    "Ask for buried services before pegging, digging or cutting slots, and respect their marks.",
    "Outdoor supply needs residual-current protection and a licensed electrician.",
    "Wire and cable across a path or drive trip people up: lay them in a duct or saw cut. Warn people on public paths.",
    "Blades injure. Keep children, pets and guests off the lawn while a mower works, keep it away from play areas, and "
    "keep to local quiet hours.",
    "Local codes and licensed practice decide, not this document.",
)
"""Standing cautions."""
