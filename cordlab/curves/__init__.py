"""Which curve? Force–elongation models of rubber, and one fitted curve.

models         the registry of models: force, energy, slope and Jacobian in closed form
lock_up        models that end at a stretch they cannot pass, and the spline
least_squares  lmfit finds the parameters, the scales of cords or drops eliminated
fit            a fitted curve: confidence and prediction bands
"""

from cordlab.curves import lock_up as lock_up  # its models join the registry
