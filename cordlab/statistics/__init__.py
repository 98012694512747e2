"""Groups of values, limits and propagation of uncertainty: no physics here.

limits       confidence, prediction and tolerance limits of normal values
groups       levels and lines in groups, and the next value of this or another group: the one rule √Σ t²u²
components   variance components; the value furthest from its group
propagation  degrees of freedom, draws and their quantiles, decisions
"""
