from . import figures as figures
