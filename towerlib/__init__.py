"""Line-wide analytics of transmission tower earthing tests, from records to a priority list."""

__version__ = "0.1.0"
