"""From a laboratory's motion capture to the recording that a sensor would have given."""
