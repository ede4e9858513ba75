"""What happened: the append-only journal, its files and its projections."""
