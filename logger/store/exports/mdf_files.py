"""ASAM MDF 4: a folder with one measurement file for each recording, for tools that read that open standard.

Needs the library asammdf (`pip install 'stumblelog[mdf]'`). There is no way back from this form: MDF keeps times as
float seconds.
"""

import importlib.util
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.store.exports.contents import Contents
from logger.store.exports.forms import MDF_SUFFIX
from logger.store.exports.held import Held
from logger.store.exports.placing import whole_folder
from logger.store.exports.samples import Piece, pieces

INSTALL = "pip install 'stumblelog[mdf]'"


def can_write_mdf() -> bool:
    """Whether the library is installed; looked for, not loaded, since that takes seconds."""
    return importlib.util.find_spec("asammdf") is not None


def write_mdf(
    contents: Contents,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """Write the event as a folder of MDF files, whole or not at all. Raises StoreError, also without asammdf."""
    try:
        from asammdf import MDF
    except ModuleNotFoundError as error:
        raise StoreError(f"MDF needs a library; install it with: {INSTALL}") from error

    def is_ours(place: Path) -> bool:
        return all(path.suffix == MDF_SUFFIX for path in place.iterdir())

    with whole_folder(folder, overwrite=overwrite, is_ours=is_ours, what="a folder of MDF files") as draft:
        for held, given in groupby(pieces(contents), key=lambda window: window[0]):
            with MDF(version="4.10") as mdf:
                mdf.header.start_time = _started(held)
                mdf.header.comment = f"{contents.event.name}, recording {held.name}"
                groups: dict[str, int] = {}
                for _, window, share in given:
                    for piece in window:
                        _append(mdf, groups, piece)
                    progress(share)
                # By position: whatever a recording is called, its file's name is one of ours.
                mdf.save(draft / f"{held.position:03d}{MDF_SUFFIX}", overwrite=True, compression=2)


def _started(held: Held) -> datetime:
    """MDF has no way to say that no clock was known: 1970 stands for that."""
    return datetime.fromtimestamp((held.started_ns or 0) / NS_PER_S, UTC)


def _append(mdf: Any, groups: dict[str, int], piece: Piece) -> None:
    """Add what a channel gave in one window; its first samples begin its group."""
    from asammdf import Signal

    name = piece.channel.name
    time_s = piece.series.time_ns / NS_PER_S
    columns = _columns(piece)
    if name in groups:
        mdf.extend(groups[name], [(time_s, None), *((samples, None) for samples, _ in columns.values())])
        return
    meaning = CHANNELS[name].meaning
    signals = [
        Signal(samples=samples, timestamps=time_s, name=column, unit=unit, comment=meaning)
        for column, (samples, unit) in columns.items()
    ]
    groups[name] = mdf.append(signals, acq_name=name, comment=meaning, common_timebase=True)


def _columns(piece: Piece) -> dict[str, tuple[np.ndarray[Any, Any], str]]:
    """A channel's values and, where it was stored so, its counts: samples and unit of each signal by its name."""
    name, unit = piece.channel.name, CHANNELS[piece.channel.name].unit
    if piece.value is None:
        return {name: (np.ones(piece.series.time_ns.size, np.uint8), "")}
    axes = [f"_{axis}" for axis in "xyz"] if piece.value.ndim == 2 else [""]
    found = {f"{name}{axis}": (column, unit) for axis, column in zip(axes, _split(piece.value), strict=True)}
    if piece.counts is not None:
        counts = zip(axes, _split(piece.counts), strict=True)
        found |= {f"{name}{axis}_counts": (column, "") for axis, column in counts}
    return found


def _split(values: np.ndarray[Any, Any]) -> list[np.ndarray[Any, Any]]:
    return [np.ascontiguousarray(column) for column in values.reshape(len(values), -1).T]
