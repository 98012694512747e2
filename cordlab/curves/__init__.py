"""Which curve? Force–elongation models, one fitted curve."""

from cordlab.curves import lock_up as lock_up  # its models join the registry
