"""Quality records of laser-transmission-welded plastic parts."""

__version__ = "0.1.0"
