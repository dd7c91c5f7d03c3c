"""The library: players, sessions, swings, ball results, bundles, and the way to the evidence."""
