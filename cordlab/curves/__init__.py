"""Which curve? Force–elongation models of rubber, and one fitted curve.

models         the registry of models: force, energy, slope and Jacobian in closed form
least_squares  lmfit finds the parameters, the scales of cords or drops eliminated
fit            a fitted curve: confidence and prediction bands
"""
