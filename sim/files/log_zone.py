"""Local times of a place whose clock is set back in autumn."""

from __future__ import annotations

import datetime
import zoneinfo

import numpy as np

from sim.files.headers import Findings


def zone_offsets_s(
    local_s: np.ndarray, lines: np.ndarray, header: str, findings: Findings
) -> tuple[np.ndarray, str]:
    """Return how far each local stamp is ahead of UTC [s], and words on how that was found.

    `local_s` counts local seconds since 1970. Of an hour that comes twice the first is taken
    until the clock goes back. Refuses an hour that the clock skipped, and an unknown zone.
    """
    name = findings.options.zone or ""
    try:
        zone = zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        what = f"{findings.options.option('zone')} is '{name}', which this system does not know; "
        findings.refuse(int(lines[0]), what + "accepted: such as Europe/Lisbon", header)
        return np.zeros(len(local_s)), ""
    epoch = datetime.datetime(1970, 1, 1)
    offsets = np.zeros(len(local_s))
    fold, back_at = 0, 0
    for i, second in enumerate(local_s.tolist()):
        stamp = epoch + datetime.timedelta(seconds=second)
        first, second_time = (stamp.replace(tzinfo=zone, fold=f).utcoffset() for f in (0, 1))
        assert first is not None and second_time is not None  # a zone always knows
        if first < second_time:
            what = f"{stamp} was skipped by the clock of {name} in spring"
            findings.refuse(int(lines[i]), what, header)
        if first == second_time:
            fold = 0
        elif i and second < local_s[i - 1]:
            fold, back_at = 1, int(lines[i])
        offsets[i] = (second_time if fold else first).total_seconds()
    return offsets, f", {name}" + (f", set back at line {back_at}" if back_at else "")
