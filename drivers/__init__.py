"""Decoders of load-cell streams: bytes in, frames out; imports nothing of `logger`."""
