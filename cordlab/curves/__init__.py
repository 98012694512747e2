"""Which curve? Force–elongation models, one fitted curve."""
