"""What was written down? A folder becomes a `Campaign`, or every problem at once."""
