"""What was written down? A folder becomes a `Campaign`, or every problem at once.

campaign   the folder read whole and checked; start here
files      files read once and hashed; the one writer
tables     CSV tables read against the columns that are wanted
settings   campaign.toml: rig, site, criteria, decision
loggers    the record of one drop
decisions  decisions.csv: what was settled by hand
jump_log   jumps.csv: cords in service
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
