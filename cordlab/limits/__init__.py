"""How sure is the next drop?

anchoring     the stiffness of each drop at each mass, and what it shares with the others
wave_effects  what waves add, on the rig and at the site
simulate      the next drop by Monte Carlo; start here
forecast      its draws and one-sided limits
budget        what makes a limit wide
validation    held-back drops against their limits
"""
