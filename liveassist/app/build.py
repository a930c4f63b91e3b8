"""Making the analysis for a kit: the one place where the commands meet the pipeline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from liveassist.app.parts import PipelineLike
from liveassist.model import Kit

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned
    from liveassist.elsewhere import HearingElsewhere


class PipelineBuilder(Protocol):
    """Whatever makes an analysis (see `build_pipeline`)."""

    def __call__(
        self,
        kit: Kit,
        sample_rate_hz: int,
        *,
        learned: Learned | None = None,
        learned_name: str | None = None,
        reference: str | None = None,
        aim: str = "natural",
        early: bool = False,
    ) -> PipelineLike:
        """Make one."""
        ...


def build_pipeline(
    kit: Kit,
    sample_rate_hz: int,
    *,
    learned: Learned | None = None,
    learned_name: str | None = None,
    reference: str | None = None,
    aim: str = "natural",
    early: bool = False,
    elsewhere: HearingElsewhere | None = None,
) -> PipelineLike:
    """The real analysis. ``learned_name`` is what the summary says was learned from.

    ``early``: report hits within milliseconds and correct later, for whoever acts on them live.
    ``elsewhere``: what hears the hits, where that is not to be made here.
    """
    from liveassist.pipeline import Pipeline

    return Pipeline(
        kit,
        sample_rate_hz,
        learned=learned,
        learned_name=learned_name,
        reference=reference,
        aim=aim,
        early=early,
        elsewhere=elsewhere,
    )
