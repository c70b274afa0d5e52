"""labbench: find out which variable makes repairs of laminated glass fail."""

__version__ = "0.1.0"
