from . import campaign_drops as campaign_drops
