"""Which curve? Force–elongation models of rubber, and one fitted curve.

models   the registry of models: force, energy, slope and Jacobian in closed form
lock_up  models that end at a stretch they cannot pass, and the spline
fit      lmfit finds the parameters; confidence and prediction bands
"""

from cordlab.curves import lock_up as lock_up  # its models join the registry
