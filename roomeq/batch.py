"""Many rooms, for scripts and notebooks.

- All of them overnight, on this machine or a cluster: `propose_many`
- One setting for all who buy a model: `voice`, `rooms_needed`

Conventions
-----------
Processes are started afresh: a script calls `propose_many` under ``if __name__ == "__main__":``.
"""

from __future__ import annotations

from roomeq.jobs.batch import Batch, propose_many
from roomeq.jobs.voice import Voicing, rooms_needed, voice

__all__ = ["Batch", "Voicing", "propose_many", "rooms_needed", "voice"]
