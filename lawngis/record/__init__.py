"""The wire as it was laid: a walk matched to the plan, how far it lies off, and where a break is."""
