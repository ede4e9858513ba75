"""Documents and plots."""
