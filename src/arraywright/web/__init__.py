"""Office pages, field page, programming interface and synchronisation of one site."""
