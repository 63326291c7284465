"""ASAM MDF 4: a folder with one measurement file for each recording, for tools that read that open standard.

Needs the library asammdf (`pip install 'stumblelog[mdf]'`). There is no way back from this form: MDF keeps times as
float seconds.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.store.exports.contents import Contents, Held
from logger.store.exports.placing import whole_folder

SUFFIX = ".mf4"


def write_mdf(
    contents: Contents,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """Write the event as a folder of MDF files, whole or not at all. Raises StoreError, also without asammdf."""
    try:
        from asammdf import MDF, Signal
    except ModuleNotFoundError as error:
        raise StoreError("MDF needs a library; install it with: pip install 'stumblelog[mdf]'") from error

    def is_ours(place: Path) -> bool:
        return all(path.suffix == SUFFIX for path in place.iterdir())

    with whole_folder(folder, overwrite=overwrite, is_ours=is_ours, what="a folder of MDF files") as draft:
        for number, held in enumerate(contents.recordings, 1):
            with MDF(version="4.10") as mdf:
                mdf.header.start_time = _started(held)
                mdf.header.comment = f"{contents.event.name}, recording {held.name}"
                for name in held.reader.channels:
                    signals = [Signal(**signal) for signal in _signals(held, name)]
                    mdf.append(signals, acq_name=name, comment=CHANNELS[name].meaning, common_timebase=True)
                # By position: whatever a recording is called, its file's name is one of ours.
                mdf.save(draft / f"{held.position:03d}{SUFFIX}", overwrite=True, compression=2)
            progress(number / len(contents.recordings))


def _started(held: Held) -> datetime:
    """MDF has no way to say that no clock was known: 1970 stands for that."""
    return datetime.fromtimestamp((held.started_ns or 0) / NS_PER_S, UTC)


def _signals(held: Held, name: str) -> list[dict[str, Any]]:
    """A channel's values and, where it was stored so, its counts, as arguments of asammdf's Signal."""
    series, value = held.reader.both([name])[name]
    about = {"timestamps": series.time_ns / NS_PER_S, "comment": CHANNELS[name].meaning}
    unit = CHANNELS[name].unit
    if value is None:
        return [{"samples": np.ones(series.time_ns.size, np.uint8), "name": name, **about}]
    counted = series.raw is not None and series.raw.dtype == np.int16
    if value.ndim == 1:
        signals = [{"samples": value, "name": name, "unit": unit, **about}]
        return signals + ([{"samples": series.raw, "name": f"{name}_counts", **about}] if counted else [])
    signals = [
        {"samples": np.ascontiguousarray(value[:, k]), "name": f"{name}_{axis}", "unit": unit, **about}
        for k, axis in enumerate("xyz")
    ]
    if counted and series.raw is not None:
        signals += [
            {"samples": np.ascontiguousarray(series.raw[:, k]), "name": f"{name}_{axis}_counts", **about}
            for k, axis in enumerate("xyz")
        ]
    return signals
