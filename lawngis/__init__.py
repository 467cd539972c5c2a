"""lawngis plans wire-guided robotic lawnmower installations from maps and elevation data.

The package proper is a library of pure functions on geometry and arrays, in metres of a measuring frame.
Files, layers and commands live in :mod:`lawngis.processing`.
"""

__version__ = "0.1.0"
