"""Reconciliation to files. A writer draws or lists what it is given; it knows no other writer."""
