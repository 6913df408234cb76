"""Puts a bay together from its configuration: the same for the daemon, for replay and for rebuilding."""

from __future__ import annotations

from pathlib import Path

from drivers import registry
from logger.bay import Bay
from logger.config import Loaded, load
from logger.settling.pipeline import Pipeline


def make_bay(loaded: Loaded) -> Bay:
    """Build intake and pipeline of a configuration."""
    config = loaded.config
    layouts = dict.fromkeys(port.layout for port in config.port)  # plug-ins are looked for in every package
    found = {layout: registry.find(layout, folders=(loaded.file.parent,)) for layout in layouts}
    makers = {port.name: found[port.layout] for port in config.port}
    capacity_kg = {pad.id: pad.capacity_kg for pad in config.pad}
    pipeline = Pipeline([pad.id for pad in config.pad], config.settling, capacity_kg)
    pads = {port.name: loaded.pads_of(port.name) for port in config.port}
    return Bay(makers, pads, pipeline, loaded.calibrations)


def bay_from_file(config: Path) -> Bay:
    """Build the bay of a configuration file; ConfigError when it has faults."""
    return make_bay(load(config))
