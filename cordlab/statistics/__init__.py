"""Groups of values, limits, propagation of uncertainty: no physics, readable alone."""
