"""The first page: three questions, three answers, and what they stand on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.page import Page

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings


def build(marts: Marts, settings: Settings) -> Page:
    """The index; the answers come from the pages they link to."""
    del marts, settings
    return Page(
        key="index",
        title="Buried loops, in short",
        question="Three questions to the closed fault jobs, answered from them alone",
        summary=(),
        sections=(),
    )
