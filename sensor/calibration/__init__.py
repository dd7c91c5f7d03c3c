"""Finding and fitting a calibration; its values and their use are in ``sensor.recording``."""
