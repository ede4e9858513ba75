"""Orders, pallets, flash lists, reconciliation and incoming inspection."""
