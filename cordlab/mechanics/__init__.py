"""What happens in one drop?

fall     `DropSetup`; the fall with the cord folded
uniform  the lowest point of a uniformly strained cord
waves    the cord resolved along its length, for loads and g
chain    the steps in time of `waves`, compiled
trace    the motion in time, through its bounces
predict  `predict_drop` and the stiffness behind a drop; start here
"""
