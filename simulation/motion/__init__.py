"""Simulated movement of the segment that carries the sensor: swings by two models, and the rest.

`action` holds the data, `rotation` the mathematics, `truth` the definitions; `pendulum` and
`chain` make swings, `draw` draws them at random from the distributions in README.md.
"""
