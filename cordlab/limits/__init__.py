"""How sure is the next drop?

anchoring     the stiffness of each drop at each mass, and what it shares with the others
wave_effects  what waves add, on the rig and at the site
forecast      draws of the next drop and its one-sided limits; start here
simulate      how one draw comes about
budget        what makes a limit wide
tested        temperatures and jump counts that the drops show
validation    held-back drops against their limits
"""
