"""What a parcel of a plan was made from: kept in the plan, so that the next run plans only what has changed."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from hashlib import blake2b

from ..model.plan import Row
from .run_folder import Keys

MADE_FROM = "made from"
"""Key of a parcel's row of `run_info` that says what it was made from; one that failed has none."""

SAID = ("severity", "code", "text", "advice", "step")
"""Columns in which two findings that say the same are alike: values may differ by what no sentence shows."""


@dataclass(frozen=True)
class MadeFrom:
    """What a parcel was made from, as fingerprints.

    Parameters
    ----------
    settings
        Of mower, parameters and program.
    run
        Of these and all files of the site: with the same, no parcel need be read.
    site
        Of what the steps saw of the parcel.
    said
        Of the findings on the whole run that came of it.
    """

    settings: str
    run: str
    site: str
    said: tuple[str, ...] = ()

    @property
    def keys(self) -> Keys:
        """Settings and inputs of the run."""
        return Keys(self.settings, self.run)

    def row(self, parcel_id: str) -> Row:
        """Return the parcel's row of `run_info`."""
        return {"parcel_id": parcel_id, "key": MADE_FROM, "value": json.dumps(asdict(self))}

    @classmethod
    def read(cls, value: str) -> MadeFrom:
        """Return it from the value of its row; equal to no other one when somebody edited that."""
        try:
            fields = json.loads(value)
            return cls(**{**fields, "said": tuple(fields["said"])})
        except (TypeError, ValueError, KeyError):
            return cls("", "", "")


def said_digests(findings: Iterable[Row]) -> tuple[str, ...]:
    """Return the fingerprints of findings that hold for the whole run, by what they say."""
    said = ("\x1f".join(str(row.get(name)) for name in SAID) for row in findings if row["parcel_id"] is None)
    return tuple(blake2b(words.encode(), digest_size=8).hexdigest() for words in said)
