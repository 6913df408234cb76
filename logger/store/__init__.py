"""Parquet dataset, derived from the journal."""

from logger.store.writer import DATASET, Store, StoreSettings

__all__ = ["DATASET", "Store", "StoreSettings"]
