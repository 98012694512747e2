"""What did the cord do in this drop? Readings become a calibration and a reduced drop."""
