"""Digits so large that they are read from three metres, made of characters.

A sign is readable when it is about a two-hundredth of the distance high (from memory): 15 mm at
three metres. Five lines of an ordinary terminal are 20 to 30 mm.
"""

from __future__ import annotations

__all__ = ["ROWS", "big"]

ROWS = 5

_GLYPHS = {
    "0": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "  #  ", "  #  ", " ### "),
    "2": ("#### ", "    #", " ### ", "#    ", "#####"),
    "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"),
    "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
    "9": (" ### ", "#   #", " ####", "    #", " ### "),
    "-": ("     ", "     ", "#####", "     ", "     "),
    "=": ("     ", "#####", "     ", "#####", "     "),
    "<": ("   # ", "  #  ", " #   ", "  #  ", "   # "),
    ">": (" #   ", "  #  ", "   # ", "  #  ", " #   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": ("   ", "   ", "   ", "   ", "   "),
}


def big(text: str, *, ink: str = "█") -> list[str]:
    """Write digits and the signs ``- = < > .`` large.

    Parameters
    ----------
    text : str
    ink : str
        Character that the signs are made of.

    Returns
    -------
    list of str
        Five lines of equal length.

    Raises
    ------
    KeyError
        For a character that there is no large sign for.
    """
    lines = [" ".join(_GLYPHS[char][row] for char in text) for row in range(ROWS)]
    return [line.replace("#", ink) for line in lines]
