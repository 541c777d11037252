"""Results in, tables and pictures out. Never computes."""
