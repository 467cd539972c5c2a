"""Steps of the plan, one module each."""
