"""The way in: Bluetooth, profiles, decoding, live recording, replay."""
