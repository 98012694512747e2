"""Every panel, lesson and exercise of the notebooks: `cordlab.panels`, each loaded when it is asked for."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub("cordlab.notebook", __file__)
