"""What every room says in the same words: cautions, what turns, units. Imports nothing."""
