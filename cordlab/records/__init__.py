"""What did the cord do in this drop?

calibration   readings against references; a reading outside them is refused
prepare       sampling, filter, noise, flat tops of a clipped sensor
events        release and end of slack
motion        load from motion, and motion from load
plausibility  what a record says against itself
reduce        the whole way from raw record to `Drop`; start here
"""
