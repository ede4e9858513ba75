"""One record per photovoltaic module, and what these very modules should do."""

__all__ = ["__version__"]

__version__ = "0.1.0"
