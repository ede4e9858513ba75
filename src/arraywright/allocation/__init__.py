"""Which pallet and which module goes to which string."""
