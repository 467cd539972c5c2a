"""Steps of a plan, one module each, and the order in which they run."""
