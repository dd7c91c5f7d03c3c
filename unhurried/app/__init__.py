"""Services that join the rooms; commands call them, and nothing here prints or parses."""
