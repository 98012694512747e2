"""What do the cords have in common, and how do they differ?

drop_table         the drops as a table; the stiffness behind each
fit                one shape, a scale a cord, candidates compared; start here
bootstrap          thousands of refits at once
load_lag           how late the load comes after the distance: a slow load cell
lowest_points      a curve where there are no records
viscosity          what waves change, and the viscosity behind them
wave_removal       the curve behind records that carry a wave
cords              variation between and within cords, temperature
findings           what does not agree in the fit, and which findings stop the rating
campaign_findings  what does not agree in the campaign
witnesses          load, distance, clock, masses and tape against one another
slow_pulls         slow pull tests beside the drops
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
