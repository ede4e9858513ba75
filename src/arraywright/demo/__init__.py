"""An invented site with faults put in on purpose."""
