"""The local web page: screens for the coach and for the player at the range."""
