"""What every other room speaks in: the contract's layers, a site, a plan while it grows, and a step's declaration."""
