"""A recording: its format, writer, reader, time base, annotations and calibration values."""
