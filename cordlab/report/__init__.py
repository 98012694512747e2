"""What does the paper say?

page            report.html, its PDF and results.json; start here
tables          numbers, tables and words that the template does not write itself
figures         one function a figure
style           what figures share
monte_carlo     how sure the drawn numbers are
results_folder  results replaced as a whole; fresh, stale or damaged
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
