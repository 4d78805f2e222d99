"""The one meeting point: load from the records, compute in stats and weld, judge. Writes nothing."""

from __future__ import annotations

from qualrec.assess.capability import CapabilityReport, Histogram, capability_report
from qualrec.assess.charts import ChartView, chart_view
from qualrec.assess.limits import TrialLimits, trial_limits
from qualrec.assess.loading import Choice
from qualrec.assess.lots import LotJudgement, judge_lot
from qualrec.assess.plausibility import ReadingContext, reading_context, reading_context_of
from qualrec.assess.points import PointText
from qualrec.assess.process import judge_process
from qualrec.assess.strength import StrengthReport

__all__ = [
    "CapabilityReport",
    "ChartView",
    "Choice",
    "Histogram",
    "LotJudgement",
    "PointText",
    "ReadingContext",
    "StrengthReport",
    "TrialLimits",
    "capability_report",
    "chart_view",
    "judge_lot",
    "judge_process",
    "reading_context",
    "reading_context_of",
    "trial_limits",
]
