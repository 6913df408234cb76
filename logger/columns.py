"""Many samples as columns: what a dataset gives and the pipeline takes without an object for each reading."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.model import Sample

FLOATS = ("mass_wire_kg", "mass_kg", "resolution_kg", "battery_V", "signal_dBm", "temperature_C")
"""Fields of a sample that may be None: NaN in a column, but for a reading that is NaN itself (`missing`)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Columns:
    """Samples in the order they came: `pad` counts in `pads`, `floats` has a column for each of FLOATS.

    `missing` says where no mass was sent (both masses None); all columns are of one length, times int64 ns.
    """

    pads: tuple[str, ...]
    pad: NDArray[np.intp]
    t_mono_ns: NDArray[np.int64]
    t_wall_ns: NDArray[np.int64]
    flags: NDArray[np.int64]
    missing: NDArray[np.bool_]
    floats: Mapping[str, NDArray[np.float64]]

    @classmethod
    def of(cls, samples: Sequence[Sample], pads: tuple[str, ...] | None = None) -> Columns:
        """Make columns of samples, of these pads where they are given: others are then number -1."""
        known = pads or tuple(dict.fromkeys(sample.pad for sample in samples))
        number = {pad: k for k, pad in enumerate(known)}
        return cls(
            pads=known,
            pad=np.array([number.get(sample.pad, -1) for sample in samples], dtype=np.intp),
            t_mono_ns=np.array([sample.t_mono_ns for sample in samples], dtype=np.int64),
            t_wall_ns=np.array([sample.t_wall_ns for sample in samples], dtype=np.int64),
            flags=np.array([sample.flags for sample in samples], dtype=np.int64),
            missing=np.array([sample.mass_wire_kg is None for sample in samples], dtype=np.bool_),
            floats={
                name: np.array([getattr(sample, name) for sample in samples], dtype=np.float64)
                for name in FLOATS
            },
        )

    @classmethod
    def joined(cls, parts: Sequence[Columns]) -> Columns:
        """One after another; all of the same pads."""
        return cls(
            pads=parts[0].pads,
            pad=np.concatenate([part.pad for part in parts]),
            t_mono_ns=np.concatenate([part.t_mono_ns for part in parts]),
            t_wall_ns=np.concatenate([part.t_wall_ns for part in parts]),
            flags=np.concatenate([part.flags for part in parts]),
            missing=np.concatenate([part.missing for part in parts]),
            floats={name: np.concatenate([part.floats[name] for part in parts]) for name in FLOATS},
        )

    def __len__(self) -> int:
        """How many samples."""
        return len(self.pad)

    def taken(self, where: NDArray[np.intp] | slice) -> Columns:
        """Some of these samples, in the order asked for."""
        return Columns(
            pads=self.pads,
            pad=self.pad[where],
            t_mono_ns=self.t_mono_ns[where],
            t_wall_ns=self.t_wall_ns[where],
            flags=self.flags[where],
            missing=self.missing[where],
            floats={name: column[where] for name, column in self.floats.items()},
        )

    def samples(self) -> Iterable[Sample]:
        """The samples one by one."""
        floats = []
        for name in FLOATS:
            column = self.floats[name]
            absent = self.missing if name.startswith("mass") else np.isnan(column)
            values = column.tolist()
            for k in np.flatnonzero(absent).tolist():
                values[k] = None
            floats.append(values)
        rows = zip(
            self.pad.tolist(),
            self.t_mono_ns.tolist(),
            self.t_wall_ns.tolist(),
            self.flags.tolist(),
            *floats,
            strict=True,
        )
        for pad, t_mono_ns, t_wall_ns, flags, wire, mass, resolution, battery, signal, temperature in rows:
            yield Sample(
                pad=self.pads[pad],
                t_mono_ns=t_mono_ns,
                t_wall_ns=t_wall_ns,
                mass_wire_kg=wire,
                mass_kg=mass,
                flags=flags,
                resolution_kg=resolution,
                battery_V=battery,
                signal_dBm=signal,
                temperature_C=temperature,
            )
