"""How the manual is built: ``make docs``, or the wheel's own build (hatch_build.py).

Nothing of the program is imported here, so that a wheel can be built where none of it is installed;
what is generated from it (commands, Python, settings, sounds) is written by ``docs/write.py`` and
kept beside the other pages.
"""

project = "unhurried"
author = "The unhurried maintainers"
language = "en"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
root_doc = "index"
exclude_patterns = ["theme"]

myst_heading_anchors = 3
suppress_warnings: list[str] = []
nitpicky = True

html_title = "The unhurried manual"
html_theme = "theme"
html_theme_path = ["."]
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
html_show_copyright = False
html_use_index = False
html_domain_indices = False
highlight_language = "none"
pygments_style = "bw"
smartquotes = False
