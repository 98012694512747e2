from . import figures as figures
from . import page as page
from . import results_folder as results_folder
from . import tables as tables
