from . import campaign_findings as campaign_findings
from . import findings as findings
from . import slow_pulls as slow_pulls
