"""What was written down? A folder becomes a `Campaign`, or every problem at once."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
