"""What the virtual car did on the demo day, on the time of its recordings."""

from datetime import timedelta

from logger.store.store import Store
from logger.virtualcar.drive import DemoEvent


def true_onsets(store: Store, event_id: str, truth: DemoEvent) -> list[tuple[str, float]]:
    """(recording, onset_s) of every true stumble.

    Drive and recording have zeros of their own, the recorder begins a moment earlier; wall time relates them.
    """
    happened = []
    for drive, recording in zip(truth.drives, store.recordings(event_id), strict=True):
        assert truth.started_utc is not None
        assert recording.started_utc is not None
        begun_utc = truth.started_utc + timedelta(seconds=drive.offset_s)
        shift_s = (begun_utc - recording.started_utc).total_seconds()
        happened += [(recording.name, shift_s + stumble["onset_s"]) for stumble in drive.truth["stumbles"]]
    return happened
