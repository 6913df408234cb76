"""Parquet dataset, derived from the journal."""
