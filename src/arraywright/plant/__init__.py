"""What is to be built: site, module and inverter types, structures, positions, strings."""
