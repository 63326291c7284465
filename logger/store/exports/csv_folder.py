"""A capture folder of plain CSV out of the store: SI values as text, lossless to the last bit.

It holds what a capture folder from anywhere may hold, so no raw counts, notes or findings: other forms bring these.
"""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from logger.event import Event, Repair
from logger.store.capture_out import EVERY_RECORDING_HAS, ChannelFile, capture_toml, is_capture
from logger.store.exports.contents import Contents
from logger.store.exports.held import Held
from logger.store.exports.placing import whole_folder
from logger.store.exports.samples import Piece, hand_out
from logger.store.recording_reader import MARKS


def write_csv(
    contents: Contents,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """Write the event as a capture folder, whole or not at all. Raises StoreError."""

    with whole_folder(folder, overwrite=overwrite, is_ours=is_capture, what="a capture folder") as draft:
        hand_out(contents, lambda stack, held: _begin(stack, held, draft / held.name), progress)
        (draft / "capture.toml").write_text(capture_toml(_event(contents)), encoding="utf-8")


def _begin(stack: ExitStack, held: Held, place: Path) -> Callable[[Piece], None]:
    """Make a recording's folder; of its channels those that gave something, and those whose silence says something."""
    place.mkdir()
    files: dict[str, ChannelFile] = {}

    def append(name: str, piece: Piece | None) -> None:
        if name not in files:
            files[name] = stack.enter_context(ChannelFile(place, name))
        if piece is not None:
            files[name].append(piece.series.time_ns, piece.value)

    came_as_folder = held.reader.meta.origin == "import"
    silent = [name for name in held.reader.channels if came_as_folder or name == MARKS]
    for name in {EVERY_RECORDING_HAS, *silent}:
        append(name, None)
    return lambda piece: append(piece.channel.name, piece)


def _event(contents: Contents) -> Event:
    """The event with the recordings that could be read, and its repairs placed among these."""
    names = [row["recording"] for row in contents.tables["recordings"]]
    held = [one.name for one in contents.recordings]
    return replace(
        contents.event,
        recordings=tuple(recording for recording in contents.event.recordings if recording.name in held),
        repairs=tuple(_placed(repair, names, held) for repair in contents.event.repairs),
    )


def _placed(repair: Repair, names: Sequence[str], held: Sequence[str]) -> Repair:
    """A repair after a recording that is not among those held comes after the last one before it, or at the begin."""
    after = repair.after_recording
    if after in held or (after is None and repair.offset_ns is not None):
        return repair
    until = names.index(after) if after in names else len(names)
    before = [name for name in names[:until] if name in held]
    if before:
        return replace(repair, after_recording=before[-1])
    return replace(repair, after_recording=None, offset_ns=repair.offset_ns or 0)
