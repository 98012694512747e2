"""What did the cord do in this drop?

calibration     readings against references; a reading outside them is refused
prepare         sampling, filter, noise, zero, and the flat top of a clipped sensor, which is refused
events          release and end of slack
motion          load from motion, and motion from load
plausibility    what a record says against itself
reduce          the whole way from raw record to `Drop`; start here
campaign_drops  every record of a campaign, through its calibrations
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
