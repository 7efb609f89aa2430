"""The six forms of the intraclass correlation of McGraw & Wong 1996, Psychol Methods 1:30, by name.

c, r, cr, e: the components case, reader, case x reader and residual; k: readings averaged.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class IccForm:
    """One form of the ICC: key, McGraw-Wong name, Shrout-Fleiss name, definition in components."""

    key: str
    name: str
    shrout_fleiss: str
    definition: str
    model: str
    average: bool


FORMS = (
    IccForm(
        key="icc_1_1",
        name="ICC(1,1)",
        shrout_fleiss="ICC(1,1)",
        definition="one-way random, single reading: c/(c+e)",
        model="one_way",
        average=False,
    ),
    IccForm(
        key="icc_a_1",
        name="ICC(A,1)",
        shrout_fleiss="ICC(2,1)",
        definition="two-way random, absolute agreement, single reading: c/(c+r+cr+e)",
        model="agreement",
        average=False,
    ),
    IccForm(
        key="icc_c_1",
        name="ICC(C,1)",
        shrout_fleiss="ICC(3,1)",
        definition="two-way random, consistency, single reading: c/(c+cr+e)",
        model="consistency",
        average=False,
    ),
    IccForm(
        key="icc_1_k",
        name="ICC(1,k)",
        shrout_fleiss="ICC(1,k)",
        definition="one-way random, mean of k: c/(c+e/k)",
        model="one_way",
        average=True,
    ),
    IccForm(
        key="icc_a_k",
        name="ICC(A,k)",
        shrout_fleiss="ICC(2,k)",
        definition="two-way random, absolute agreement, mean of k readers: c/(c+(r+cr+e)/k)",
        model="agreement",
        average=True,
    ),
    IccForm(
        key="icc_c_k",
        name="ICC(C,k)",
        shrout_fleiss="ICC(3,k)",
        definition="two-way random, consistency, mean of k readers: c/(c+(cr+e)/k)",
        model="consistency",
        average=True,
    ),
)
