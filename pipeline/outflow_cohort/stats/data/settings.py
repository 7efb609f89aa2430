"""Settings of the statistics, as written under `statistics:` in study.yaml. Each field carries its unit.

Nothing here is computed; the choices are named in every row of the tables they change.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

ReaderRule = Literal["mean_over_readers", "median_over_readers", "reference_reader"]
ReadRule = Literal["first_read", "mean_of_reads"]
PhaseRule = Literal["end_systole", "mean_over_phases", "min_over_phases"]
Risk = Literal["low", "high"]
FirthRule = Literal["auto", "always", "never"]
Knots = Literal[0, 3, 4, 5]
FamilyColumn = Literal["measure", "variant", "method", "plan_id", "with", "coefficient"]


PAPER_MEASURES = (
    "mitral_area/spline", "mitral_perimeter/projected", "mitral_diameter/area", "mitral_diameter/septal_lateral",
    "mitral_diameter/intercommissural", "ring_inner_diameter/model_fit", "aortic_area", "aortic_diameter/area",
    "aorto_mitral_angle/opening", "neo_lvot_area/full_frame", "neo_lvot_area/skirt", "native_lvot_area/full_frame",
    "lvot_residual_fraction/full_frame", "device_septum_distance/full_frame", "oversizing/area", "lv_volume",
    "septal_thickness", "leaflet_length", "ring_septum_distance", "traced_area",
)  # fmt: skip
"""Quantities that a paper reports, in the table `agreement` beside what the study asks (`report.primary_measures`);
common practice, no source."""


def _unit(name: str) -> dict[str, Any]:
    return {"unit": name}


USABLE_STATUSES = (
    "ok", "smallest_at_annulus", "smallest_at_upstream_end", "two_lobes", "path_unsure", "two_places",
    "device_beside_section", "device_meets_septum", "few_systolic_phases", "single_phase", "phases_missing",
    "saturated", "low_contrast", "contour_jagged", "few_ring_points", "inflow_leans_away", "carried_path",
    "same_pixels_twice", "landmarks_of_another_case",
)  # fmt: skip
"""Statuses that leave the value usable: those of level know and note (study/status_codes.csv) that come with a
value, and what another case holds too, until it is settled whose it is. A device that reaches the septum counts:
without its most obstructed patients a cohort would have wider outflow tracts than it has. Sizes that do not follow
the beat (carried_not_evidence_of_change) do not count: they would pass for those of a phase."""


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Outcome(_Closed):
    """A yes/no column of cases.csv that measures are compared with; a text beside the stated ones is an error."""

    column: str = Field(min_length=1, description="Column of cases.csv.", json_schema_extra=_unit("name"))
    event: str = Field(
        "1", min_length=1, description="Text in that column that means the event.", json_schema_extra=_unit("text")
    )
    no_event: str = Field(
        "0",
        min_length=1,
        description="Text that means no event. An empty cell is missing; any other text is an error.",
        json_schema_extra=_unit("text"),
    )
    missing: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        (), description="Texts that mean the outcome is not known.", json_schema_extra=_unit("text")
    )
    endpoint: str = Field(
        "", description="How the event was defined, in words or by name.", json_schema_extra=_unit("text")
    )

    @model_validator(mode="after")
    def _texts_differ(self) -> Outcome:
        texts = [plain_text(t) for t in (self.event, self.no_event, *self.missing)]
        if len(set(texts)) < len(texts):
            raise ValueError(f"outcome {self.column}: event, no_event and missing share a text; each needs its own")
        return self


def plain_text(value: object) -> str:
    """A cell as it is compared with the stated texts: without blanks around it, numbers as numbers ("1" = "1.0")."""
    text = str(value).strip()
    try:
        return f"{float(text):g}"
    except ValueError:
        return text


class Predictor(_Closed):
    """A measure compared with the outcomes, with the direction of risk said and never found from the data."""

    measure: str = Field(min_length=1, description="Measure.", json_schema_extra=_unit("name"))
    variant: str = Field(
        "", description="Variant; empty = every variant measured in each phase.", json_schema_extra=_unit("name")
    )
    method: str = Field("", description="Method; empty = every method.", json_schema_extra=_unit("name"))
    plan_id: str = Field("", description="Plan; empty = every plan.", json_schema_extra=_unit("name"))
    risk: Risk = Field("low", description="Which values carry the risk.", json_schema_extra=_unit("name"))
    cutoffs: tuple[float, ...] = Field(
        (),
        description="Cut-offs at which sensitivity and specificity are given, in the unit of the measure.",
        json_schema_extra=_unit("unit of the measure"),
    )


class AdjustedModel(_Closed):
    """Logistic regression of an outcome on each predictor with chosen covariates."""

    outcome: str = Field(
        min_length=1,
        description="Column of one of the outcomes under statistics.outcomes.",
        json_schema_extra=_unit("name"),
    )
    covariates: tuple[str, ...] = Field(
        (), description="Columns of cases.csv in the model beside the measure.", json_schema_extra=_unit("name")
    )
    firth: FirthRule = Field(
        "auto", description="Firth's penalty; auto = with fewer than 10 events per coefficient.",
        json_schema_extra=_unit("name"),
    )  # fmt: skip
    spline_knots: Knots = Field(
        0, description="Knots of a restricted cubic spline of the measure; 0 = none.", json_schema_extra=_unit("1")
    )


class TimeToEvent(_Closed):
    """Time to an event, censored or ended by rival events, by group and against each predictor."""

    time_column: str = Field(
        min_length=1, description="Column of cases.csv with the time of follow-up.", json_schema_extra=_unit("name")
    )
    event_column: str = Field(
        min_length=1, description="Column of cases.csv that says how follow-up ended.", json_schema_extra=_unit("name")
    )
    time_unit: str = Field("days", min_length=1, description="Unit of the times.", json_schema_extra=_unit("text"))
    event: str = Field("1", min_length=1, description="Text that means the event.", json_schema_extra=_unit("text"))
    no_event: str = Field(
        "0", min_length=1, description="Text that means censored. Any further text is an error.",
        json_schema_extra=_unit("text"),
    )  # fmt: skip
    competing: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        (), description="Texts of rival events, after which the event cannot come.", json_schema_extra=_unit("text")
    )
    missing: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        (), description="Texts that mean not known.", json_schema_extra=_unit("text")
    )
    horizon: float | None = Field(
        None, gt=0, description="End of the restricted mean time; empty = the shortest of the groups' longest times.",
        json_schema_extra=_unit("time_unit"),
    )  # fmt: skip
    covariates: tuple[str, ...] = Field(
        (), description="Columns of cases.csv in the Cox model beside the measure.", json_schema_extra=_unit("name")
    )
    firth: FirthRule = Field(
        "auto", description="Firth's penalty; auto = with fewer than 10 events per coefficient.",
        json_schema_extra=_unit("name"),
    )  # fmt: skip
    spline_knots: Knots = Field(
        0, description="Knots of a restricted cubic spline of the measure; 0 = none.", json_schema_extra=_unit("1")
    )

    @model_validator(mode="after")
    def _texts_differ(self) -> TimeToEvent:
        texts = [plain_text(t) for t in (self.event, self.no_event, *self.competing, *self.missing)]
        if len(set(texts)) < len(texts):
            raise ValueError(f"{self.event_column}: event, no_event, competing and missing share a text")
        return self


class MixedModel(_Closed):
    """A measure by group and phase, all readings used: case and reader random."""

    measure: str = Field(min_length=1, description="Measure.", json_schema_extra=_unit("name"))
    variant: str = Field("", description="Variant; empty = every variant.", json_schema_extra=_unit("name"))
    method: str = Field("", description="Method; empty = every method.", json_schema_extra=_unit("name"))
    plan_id: str = Field("", description="Plan; empty = every plan.", json_schema_extra=_unit("name"))
    by_phase: bool = Field(True, description="Group x phase instead of group alone.", json_schema_extra=_unit("switch"))
    covariates: tuple[str, ...] = Field(
        (), description="Columns of cases.csv added to the model, as site.", json_schema_extra=_unit("name")
    )


class StatisticsSettings(_Closed):
    """Choices of the cohort statistics and of the agreement between readers."""

    reader_rule: ReaderRule = Field(
        "mean_over_readers",
        description="How the readings of one case become one value.",
        json_schema_extra=_unit("name"),
    )
    reference_reader: str | None = Field(
        None,
        min_length=1,
        description="The reader that counts under reader_rule reference_reader.",
        json_schema_extra=_unit("name"),
    )
    read_rule: ReadRule = Field(
        "first_read",
        description="Which reads of a reader count for the value of a case; agreement uses all.",
        json_schema_extra=_unit("name"),
    )
    phase_rule: PhaseRule = Field(
        "end_systole",
        description="Which phase represents a case measured in several; end_systole = smallest LV volume, else"
        " smallest neo-LVOT, else the only phase.",
        json_schema_extra=_unit("name"),
    )
    usable_statuses: tuple[str, ...] = Field(
        USABLE_STATUSES,
        min_length=1,
        description="Statuses of a measurement whose value counts; by default all that leave the value usable, and"
        " what another case holds too, until it is settled whose it is. The report says how many values are left out.",
        json_schema_extra=_unit("name"),
    )
    values: Literal["readers", "final"] = Field(
        "readers",
        description="One value per case by the rules here (readers), or the adjudicated one of tables/final.parquet;"
        " agreement always uses the readers' own values.",
        json_schema_extra=_unit("name"),
    )
    group_column: str = Field(
        "group", min_length=1, description="Column of cases.csv that groups cases.", json_schema_extra=_unit("name")
    )
    baseline_columns: tuple[str, ...] | None = Field(
        None,
        description="Columns of the baseline table; empty = every column beside names and outcomes.",
        json_schema_extra=_unit("name"),
    )
    categorical_columns: tuple[str, ...] = Field(
        (),
        description="Columns of cases.csv that are categories although they look like numbers.",
        json_schema_extra=_unit("name"),
    )
    outcomes: tuple[Outcome, ...] = Field((), description="Yes/no outcome columns.", json_schema_extra=_unit("list"))
    outcome_columns: tuple[str, ...] = Field(
        (),
        description="Further columns of cases.csv known only after treatment: no part of baseline or associations.",
        json_schema_extra=_unit("name"),
    )
    column_labels: dict[str, Annotated[str, Field(min_length=1)]] = Field(
        default_factory=dict,
        description="What columns of cases.csv, such as outcomes, are called in reports and in the tables of a paper;"
        " else a follow-up is called by its event, and other columns by their name in words.",
        json_schema_extra=_unit("text"),
    )
    association_columns: tuple[str, ...] | None = Field(
        None,
        description="Numeric columns of cases.csv compared with the measures; empty = every numeric column.",
        json_schema_extra=_unit("name"),
    )
    predictors: tuple[Predictor, ...] = Field(
        (
            Predictor(measure="neo_lvot_area", variant="full_frame", risk="low"),
            Predictor(measure="lvot_residual_fraction", variant="full_frame", risk="low"),
            Predictor(measure="aorto_mitral_angle", variant="opening", risk="low"),
        ),
        description="Measures compared with the outcomes, with the direction of risk.",
        json_schema_extra=_unit("list"),
    )
    mixed_models: tuple[MixedModel, ...] = Field(
        (), description="Mixed models of measures by group and phase.", json_schema_extra=_unit("list")
    )
    adjusted_models: tuple[AdjustedModel, ...] = Field(
        (), description="Logistic models of outcomes with covariates.", json_schema_extra=_unit("list")
    )
    time_to_event: tuple[TimeToEvent, ...] = Field((), description="Times to events.", json_schema_extra=_unit("list"))
    imputations: int = Field(
        20, ge=0, le=200,
        description="Filled copies of the data in adjusted models with gaps, beside the complete cases; 0 = none.",
        json_schema_extra=_unit("1"),
    )  # fmt: skip
    given_sensitivities: tuple[Annotated[float, Field(gt=0, lt=1)], ...] = Field(
        (), description="Sensitivities at which the specificity is given too.", json_schema_extra=_unit("1")
    )
    quantile_groups: int = Field(
        4, ge=2, le=10, description="Groups of the dose-response table.", json_schema_extra=_unit("1")
    )
    penalty: float = Field(
        1.0,
        gt=0,
        le=1e6,
        description="Ridge penalty of the logistic model on standardised predictors.",
        json_schema_extra=_unit("1"),
    )
    fewest_events: int = Field(
        10,
        ge=2,
        le=1000,
        description="With fewer events or non-events area, curve, Youden point, model and decision curve are withheld;"
        " 10 an estimated slope: Peduzzi 1996.",
        json_schema_extra=_unit("1"),
    )
    few_events: int = Field(
        20,
        ge=1,
        le=1000,
        description="Fewer events or non-events than this raise a warning; common practice, no source.",
        json_schema_extra=_unit("1"),
    )
    fewest_values: int = Field(
        5,
        ge=2,
        le=100,
        description="With fewer cases in a group means have no interval and groups no standardised difference; common"
        " practice, no source.",
        json_schema_extra=_unit("1"),
    )
    association_families: tuple[FamilyColumn, ...] = Field(
        ("measure", "coefficient"),
        description="Rows of associations that share these columns are one family of tests for Holm's adjustment;"
        " empty = all rows are one.",
        json_schema_extra=_unit("name"),
    )
    area_families: tuple[Literal["outcome", "measure"], ...] = Field(
        ("outcome",),
        description="Differences of areas under the curve that share these columns are one family for Holm's"
        " adjustment; empty = all are one.",
        json_schema_extra=_unit("name"),
    )
    confidence: float = Field(
        0.95, ge=0.5, le=0.999, description="Confidence of the intervals.", json_schema_extra=_unit("1")
    )
    n_boot: int = Field(2000, ge=100, le=100_000, description="Bootstrap draws of cases.", json_schema_extra=_unit("1"))
    n_boot_model: int = Field(
        200, ge=50, le=10_000, description="Bootstrap draws that refit a model or a cut-off.",
        json_schema_extra=_unit("1"),
    )  # fmt: skip
    seed: int = Field(20240229, ge=0, le=2**32 - 1, description="Seed of the draws.", json_schema_extra=_unit("1"))
    curve_step_pct: float = Field(
        5.0,
        gt=0,
        le=50,
        description="Width of the phase bins of the phase curves.",
        json_schema_extra=_unit("% of R-R"),
    )
    each_phase: bool = Field(
        False, description="Agreement also within each phase, in `agreement_detail`.", json_schema_extra=_unit("switch")
    )
    by_group: bool = Field(
        False, description="Agreement also within each group, in `agreement_detail`.", json_schema_extra=_unit("switch")
    )
    regressions: bool = Field(
        False,
        description="Deming and Passing-Bablok lines of every pair of readers, in `agreement_detail`.",
        json_schema_extra=_unit("switch"),
    )
    kappa_weights: Literal["unweighted", "linear", "quadratic"] = Field(
        "quadratic", description="Weights of kappa for ordered classes.", json_schema_extra=_unit("name")
    )
    grras_facts: dict[str, str] = Field(
        default_factory=dict,
        description="What only the study knows, for the GRRAS checklist: text by item (title, subjects, readers,"
        " rationale, sample_size, sampling, process, independence, characteristics, relevance ...).",
        json_schema_extra=_unit("text"),
    )
    reporting_facts: dict[str, str] = Field(
        default_factory=dict,
        description="What only the study knows, for the STROBE, STARD and TRIPOD+AI checklists: text by item (title,"
        " background, objectives, design, setting, eligibility, funding ...).",
        json_schema_extra=_unit("text"),
    )
    scheduler: str | None = Field(
        None,
        pattern=r"^(tcp|tls|ws|wss|inproc)://[^\s]+$",
        description="Address of a dask.distributed scheduler; empty = this process.",
        json_schema_extra=_unit("address"),
    )

    @model_validator(mode="after")
    def _reference_reader_is_named(self) -> StatisticsSettings:
        if self.reader_rule == "reference_reader" and not self.reference_reader:
            raise ValueError("reader_rule reference_reader needs reference_reader: the reader_id that counts")
        return self

    @model_validator(mode="after")
    def _adjusted_outcomes_are_stated(self) -> StatisticsSettings:
        known = {o.column for o in self.outcomes}
        unknown = sorted({m.outcome for m in self.adjusted_models} - known)
        if unknown:
            raise ValueError(f"adjusted_models names outcome(s) {', '.join(unknown)}; add them under outcomes")
        return self

    @field_validator("reporting_facts")
    @classmethod
    def _reported_facts_are_items(cls, facts: dict[str, str]) -> dict[str, str]:
        from outflow_cohort.stats.data.checklists import checklist_keys

        unknown = sorted(set(facts) - set(checklist_keys()))
        if unknown:
            raise ValueError(f"unknown item(s) {', '.join(unknown)}; needed some of {', '.join(checklist_keys())}")
        return facts

    @field_validator("grras_facts")
    @classmethod
    def _facts_are_items(cls, facts: dict[str, str]) -> dict[str, str]:
        from outflow_cohort.stats.data.grras import ITEMS

        known = [item.key for item in ITEMS]
        unknown = sorted(set(facts) - set(known))
        if unknown:
            raise ValueError(f"unknown item(s) {', '.join(unknown)}; needed some of {', '.join(known)}")
        return facts
