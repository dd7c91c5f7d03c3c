"""The player's ear: tones, cue tracks, audio outputs and the logic of a drill."""
