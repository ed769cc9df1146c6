"""The one table in which every result stands, and the only place where results are rounded or withheld."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.writing import write_whole

# Columns by which a result may be split. In a finding, a missing grouping means "not split by this".
GROUPINGS = (
    "client_id",
    "site_id",
    "region",
    "setting",
    "species",
    "cultivar",
    "supplier_batch",
    "light",
    "pot",
    "planter",
    "age_band",
    "month",
    "quarter",
    "season",
    "heating",
    "repotted",
    "moved",
    "rh_band",
    "technician",
    "cause",
    "outcome",
    "covered",
    "plant_id",
    "position",
    "line",
    "term",
    "interval_days",
    "age_days",
)
COUNTS = ("n_plants", "losses")
NUMBERS = ("plant_days", "estimate", "low", "high", "conf_level")
COLUMNS = (
    "measure",
    "period",
    "n_plants",
    "plant_days",
    "losses",
    "estimate",
    "low",
    "high",
    "conf_level",
    "unit",
    "method",
    "note",
)
TOO_FEW = "withheld: fewer than {} plants"
NOT_AVAILABLE = "not available"
# Whole things: shown without decimals.
WHOLE = ("plants", "plant-days", "losses", "days", "events")

# Measure -> one plain sentence with its unit; pages link to it.
DEFINITIONS: dict[str, str] = dict(
    csv.reader(resources.files("plantstats").joinpath("definitions.csv").read_text(encoding="utf-8").splitlines()[1:])
)


class FindingsError(PlantstatsError, ValueError):
    """A results table that breaks its promises; the message lists every fault."""


def define(**sentences: str) -> None:
    """Say what measures mean that definitions.csv does not hold: of a notebook of one's own, or of tests.

    Parameters
    ----------
    **sentences : str
        One plain sentence with the unit for each measure.

    Raises
    ------
    FindingsError
        When a measure has another sentence already.

    Examples
    --------
    >>> define(wilted_share="Plants in 100 that were wilted.")
    >>> DEFINITIONS["wilted_share"]
    'Plants in 100 that were wilted.'
    """
    clash = sorted(name for name, text in sentences.items() if DEFINITIONS.get(name, text) != text)
    if clash:
        raise FindingsError(f"{', '.join(clash)} defined twice, in different words")
    DEFINITIONS.update(sentences)


def finding(
    measure: str,
    period: str,
    estimate: float,
    low: float = np.nan,
    high: float = np.nan,
    *,
    unit: str,
    method: str,
    n_plants: int | None = None,
    plant_days: float | None = None,
    losses: int | None = None,
    conf_level: float = np.nan,
    note: str = "",
    **groups: object,
) -> dict[str, object]:
    """Make one result, ready for `table`.

    Parameters
    ----------
    measure : str
        One of `DEFINITIONS`.
    period : str
        Name of the period.
    estimate, low, high : float
        The estimate and its interval (missing where none can be given: say why in `note`).
    unit : str
        As in definitions.csv.
    method : str
        How it was worked out.
    n_plants, plant_days, losses : int, optional, float, optional, int, optional
        The counts that it rests on.
    conf_level : float, optional
        Confidence level of the interval.
    note : str, default ''
        What a reader must know.
    **groups : object
        One value per grouping, such as species="Ficus lyrata".

    Returns
    -------
    dict of str to object
        With the keys of COLUMNS and the groupings given.

    Raises
    ------
    FindingsError
        For a grouping that is not one of GROUPINGS.

    Examples
    --------
    >>> finding("loss_rate", "2026-Q3", 8.0, unit="per 100 plant-years", method="count", light="low")["light"]
    'low'
    """
    unknown = sorted(set(groups) - set(GROUPINGS))
    if unknown:
        known = ", ".join(GROUPINGS)
        raise FindingsError(f"{measure}: no grouping {', '.join(unknown)}; take one of {known}")
    return {
        "measure": measure,
        **groups,
        "period": period,
        "n_plants": n_plants,
        "plant_days": plant_days,
        "losses": losses,
        "estimate": estimate,
        "low": low,
        "high": high,
        "conf_level": conf_level,
        "unit": unit,
        "method": method,
        "note": note,
    }


def rows(
    frame: pd.DataFrame,
    measure: str,
    *,
    period: str,
    unit: str,
    method: str,
    by: Sequence[str] = (),
    conf_level: float = np.nan,
    note: str = "",
    **values: object,
) -> pd.DataFrame:
    """Make one result of each row of a frame.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row per result. Columns of the names in `COUNTS`, `NUMBERS` and "note", and those named in `by`, are taken;
        others are left out.
    measure, period, unit, method : str
        The same for all rows.
    by : sequence of str
        Groupings, columns of `frame`.
    conf_level : float
        Confidence level of the intervals; stands only in rows that have one.
    note : str
        The same for all rows; a column "note" of the frame comes before it.
    **values : object
        A further column of the result: a single value for all rows, or one value a row (such as
        ``estimate=100 * frame["share"]``).

    Returns
    -------
    pandas.DataFrame
        Findings, in the order of the frame, for `table` to put together with others.

    Raises
    ------
    FindingsError
        For a grouping that is not one of `GROUPINGS`, or that the frame lacks.

    Examples
    --------
    >>> import pandas as pd
    >>> lost = pd.DataFrame({"light": ["low", "high"], "losses": [3, 1], "estimate": [12.0, 4.0]})
    >>> made = rows(lost, "loss_rate", period="2026-Q3", unit="per 100 plant-years", method="count", by=["light"])
    >>> made[["measure", "light", "losses", "estimate"]].to_dict("records")[0]
    {'measure': 'loss_rate', 'light': 'low', 'losses': 3, 'estimate': 12.0}
    """
    unknown = sorted({*by, *values} - {*GROUPINGS, *COUNTS, *NUMBERS})
    absent = [column for column in by if column not in frame.columns]
    if unknown or absent:
        raise FindingsError(f"{measure}: no column {', '.join([*unknown, *absent])}; groupings: {', '.join(GROUPINGS)}")
    taken = {c: frame[c] for c in frame.columns if c in (*by, *COUNTS, *NUMBERS, "note")} | values
    noted = taken["note"].fillna(note) if "note" in taken else note
    taken |= {c: np.nan for c in (*COUNTS, *NUMBERS) if c not in taken} | {"note": noted}
    about = {"measure": measure, "period": period, "unit": unit, "method": method}
    result = pd.DataFrame({c: _values(value, frame) for c, value in (taken | about).items()}, frame.index)
    if result["conf_level"].isna().all():
        with_interval = result["low"].notna() | result["high"].notna()
        result["conf_level"] = np.where(with_interval, conf_level, np.nan)
    return result


def _values(value: object, frame: pd.DataFrame) -> object:
    """One value for all rows, or one a row in the order of the frame."""
    if isinstance(value, pd.Series):
        return value.array if value.index.equals(frame.index) else value.reindex(frame.index).array
    return value


def table(rows: Iterable[Mapping[str, object]] | pd.DataFrame) -> pd.DataFrame:
    """Gather results into the findings table, in one fixed order.

    Parameters
    ----------
    rows : Iterable[Mapping[str, object]] or pandas.DataFrame
        Results made by `finding`, or a findings table, or several of them joined with pandas.concat.

    Returns
    -------
    pandas.DataFrame
        One row per result: measure, the groupings in use (text, missing = not split by it), period, n_plants,
        plant_days, losses, estimate, low, high, conf_level, unit, method, note.

    Raises
    ------
    FindingsError
        Listing every fault: unknown or missing columns, a measure without definition, an interval that misses its
        estimate, negative or infinite values, one result given twice.

    Examples
    --------
    >>> rate = finding("loss_rate", "2026-Q3", 8.0, unit="per 100 plant-years", method="losses / days")
    >>> table([rate])[["measure", "estimate"]].to_dict("records")
    [{'measure': 'loss_rate', 'estimate': 8.0}]
    """
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    if frame.empty:
        frame = frame.reindex(columns=list(COLUMNS))
    unknown = [str(c) for c in frame.columns if c not in COLUMNS and c not in GROUPINGS]
    absent = [c for c in COLUMNS if c not in frame.columns]
    if unknown or absent:
        raise FindingsError(f"findings: unknown columns {unknown}, missing columns {absent}")
    by = [c for c in GROUPINGS if c in frame.columns and frame[c].notna().any()]
    types = dict.fromkeys(COUNTS, "Int64") | dict.fromkeys(NUMBERS, "float64")
    columns = ["measure", *by, *COLUMNS[1:]]
    # Many small tables: each column once, and no more than it needs.
    frame = pd.DataFrame(
        {c: (frame[c].astype(types[c]) if c in types else _text(frame[c])).array for c in columns}, frame.index
    )
    key = ["measure", *by, "period", "unit", "method"]
    codes = np.array([_ranks(frame[c]) for c in key])
    # Totals (a missing grouping) stand before their parts.
    order = np.lexsort(codes[::-1])
    twice = bool((codes[:, order[1:]] == codes[:, order[:-1]]).all(axis=0).any())
    faults = _faults(frame, by, twice)
    if faults:
        raise FindingsError("findings: " + "; ".join(faults))
    return frame.take(order).reset_index(drop=True)


def _text(column: pd.Series) -> pd.Series:
    if isinstance(column.dtype, pd.StringDtype):
        return column
    return column.map(_label, na_action="ignore").astype("str")


def _ranks(column: pd.Series) -> npt.NDArray[np.int64]:
    """Place of each text among the different ones in their order; -1 for a missing one."""
    codes, texts = pd.factorize(column.array)
    rank = np.empty(len(texts) + 1, dtype="int64")
    rank[np.argsort(np.asarray(texts, dtype=object))] = np.arange(len(texts))
    rank[-1] = -1
    return rank[codes]


def for_display(findings: pd.DataFrame, small_group: int, *, same_decimals: bool = False) -> pd.DataFrame:
    """Round and withhold, once, for people to read.

    Parameters
    ----------
    findings : pandas.DataFrame
        Results.
    small_group : int
        Groups with fewer plants keep their counts, but not their estimates.
    same_decimals : bool
        One number of decimals for all rows, as a column of a table wants it.

    Returns
    -------
    pandas.DataFrame
        The same rows as text: measure, groupings ("all" where not split), period, n_plants, plant_days, losses,
        estimate, interval, result ("12.3 (8.1 to 17.9)"), unit, note. A withheld or missing value says so.

    Examples
    --------
    >>> about = {"unit": "per 100 plant-years", "method": "m", "n_plants": 3, "conf_level": 0.95}
    >>> rate = table([finding("loss_rate", "2026-Q3", 8.04, 4.0, 16.1, **about)])
    >>> for_display(rate, 2)["result"].tolist(), for_display(rate, 5)["result"].tolist()
    (['8.04 (4.00 to 16.10)'], ['withheld: fewer than 5 plants'])
    """
    by = groupings(findings)
    plain = {c: findings[c].to_numpy("float64", na_value=np.nan) for c in (*COUNTS, *NUMBERS[:4])}
    values = {column: of.tolist() for column, of in plain.items()}
    small = plain["n_plants"] < small_group
    texts = findings[["measure", *by, "period"]].copy()
    texts[by] = texts[by].fillna("all")
    for column in ("n_plants", "plant_days", "losses"):
        texts[column] = [_grouped(value, 0) for value in values[column]]
    digits = list(map(_digits, values["estimate"], values["low"], values["high"], findings["unit"].tolist()))
    if same_decimals and digits:  # one number of decimals a column, two figures of the median row
        digits = [max(sorted(digits)[len(digits) // 2] - 1, 0)] * len(digits)
    numbers = {
        column: [_grouped(value, d) for value, d in zip(values[column], digits, strict=True)]
        for column in ("estimate", "low", "high")
    }
    interval = [_interval(low, high) for low, high in zip(numbers["low"], numbers["high"], strict=True)]
    withheld = TOO_FEW.format(small_group)
    texts["estimate"] = np.where(small, withheld, [value or NOT_AVAILABLE for value in numbers["estimate"]])
    texts["interval"] = np.where(small, "", interval)
    both = [f"{e} ({i})" if i else e for e, i in zip(texts["estimate"], texts["interval"], strict=True)]
    return texts.assign(result=both, unit=findings["unit"], note=findings["note"].fillna(""))


def groupings(findings: pd.DataFrame) -> list[str]:
    """Grouping columns that a findings table uses, in their order.

    Parameters
    ----------
    findings : pandas.DataFrame
        Results.

    Returns
    -------
    list of str

    Examples
    --------
    >>> groupings(pd.DataFrame(columns=["measure", "light", "estimate"]))
    ['light']
    """
    return [c for c in GROUPINGS if c in findings.columns]


def pick(findings: pd.DataFrame, measure: str, by: Sequence[str] = (), period: str | None = None) -> pd.DataFrame:
    """Rows of one measure that are split by exactly the given groupings.

    Parameters
    ----------
    findings : pandas.DataFrame
        Results, or their display form, in which "all" stands for not split.
    measure : str
        One of `DEFINITIONS`.
    by : sequence of str, optional
        Groupings; none for the whole.
    period : str, optional
        One period's rows only.

    Returns
    -------
    pandas.DataFrame
        In their order; the groupings are columns even when nothing is split by them.

    Examples
    --------
    >>> results = pd.DataFrame({"measure": "loss_rate", "light": ["low", None], "estimate": [12.0, 8.0]})
    >>> pick(results, "loss_rate")["estimate"].tolist(), pick(results, "loss_rate", ["light"])["estimate"].tolist()
    ([8.0], [12.0])
    """
    used = groupings(findings)
    of = findings["measure"].eq(measure)
    of = of if period is None else of & findings["period"].eq(period)
    at = np.flatnonzero(of.to_numpy(bool) & (set(by) <= set(used)))
    # Asked a hundred times a page: few values in plain arrays, and the rows taken once.
    for column in used:
        values = np.asarray(findings[column].array.take(at), dtype=object)
        at = at[(pd.notna(values) & (values != "all")) == (column in by)]
    # Rows that stand together need not be copied.
    together = len(at) and at[-1] - at[0] == len(at) - 1
    picked = findings.iloc[at[0] : at[-1] + 1] if together else findings.take(at)
    # No rows, then; but what is printed of them needs no question first.
    return picked.assign(**{c: pd.Series(dtype="str") for c in by if c not in used})


def write(findings: pd.DataFrame, folder: Path) -> list[Path]:
    """Write findings.csv and findings.parquet, the same bytes for the same findings.

    Parameters
    ----------
    findings : pandas.DataFrame
        Results.
    folder : Path
        Made when absent.

    Returns
    -------
    list of Path
        The two paths. Numbers stand in full precision; in the CSV a text that begins with = + - @ or a control
        character gets an apostrophe, so that no spreadsheet runs it as a formula.

    Raises
    ------
    OutputError
        Where nothing can be written.

    Examples
    --------
    >>> import tempfile
    >>> rate = finding("loss_rate", "2026-Q3", 8.0, unit="per 100 plant-years", method="losses / days")
    >>> [path.name for path in write(table([rate]), Path(tempfile.mkdtemp()))]
    ['findings.csv', 'findings.parquet']
    """
    ordered = table(findings)
    texts: list[str] = list(ordered.select_dtypes("str").columns)
    risky = [c for c in texts if any(text != _harmless(text) for text in ordered[c].dropna().unique())]
    safe = ordered.assign(**{c: ordered[c].map(_harmless, na_action="ignore") for c in risky})
    content = safe.to_csv(index=False, lineterminator="\n").encode("utf-8")
    binary = io.BytesIO()
    ordered.to_parquet(binary, index=False, compression="zstd")
    paths = [folder / "findings.csv", folder / "findings.parquet"]
    for path, whole in zip(paths, (content, binary.getvalue()), strict=True):
        write_whole(path, whole)
    return paths


def _faults(frame: pd.DataFrame, by: list[str], twice: bool) -> list[str]:
    faults = []
    for column in ("measure", "period", "unit", "method"):
        if frame[column].isna().any():
            faults.append(f"{int(frame[column].isna().sum())} rows without {column}")
    undefined = sorted(set(frame["measure"].dropna()) - set(DEFINITIONS))
    if undefined:
        faults.append(f"no definition of {', '.join(undefined)}: say what it means in definitions.csv")
    # In plain numbers: small tables are checked many times a page.
    low, high, estimate, conf_level, days = (
        frame[c].to_numpy("float64", na_value=np.nan) for c in ("low", "high", "estimate", "conf_level", "plant_days")
    )
    counts = [frame[c].to_numpy("float64", na_value=np.nan) < 0 for c in COUNTS]
    # Room for the last bits of arithmetic, not for a wrong interval.
    tol = 1e-9 * np.abs(np.nan_to_num(estimate)) + 1e-12
    key = ["measure", *by, "period", "unit", "method"]
    checks: dict[str, npt.NDArray[np.bool_]] = {
        "the interval misses its estimate": (low > estimate + tol) | (high < estimate - tol) | (low > high),
        "a count or a number of days is below zero": np.logical_or.reduce([*counts, days < 0]),
        "a value is infinite": np.isinf(estimate) | np.isinf(low) | np.isinf(high),
        "the confidence level does not lie between 0 and 1": (conf_level <= 0) | (conf_level >= 1),
        "an interval has no confidence level": (~np.isnan(low) | ~np.isnan(high)) & np.isnan(conf_level),
        "no estimate and no note that says why": np.isnan(estimate) & frame["note"].fillna("").eq("").to_numpy(bool),
    }
    if twice:
        checks["the same result stands twice"] = frame.duplicated(key, keep=False).to_numpy(bool)
    for what, bad in checks.items():
        if bad.any():
            names = frame.loc[bad, ["measure", *by, "period"]].head(3).fillna("all").agg(" / ".join, axis=1)
            faults.append(f"{what} ({int(bad.sum())} rows, such as {', '.join(names)})")
    return faults


def _label(value: object) -> str:
    # A column of whole numbers with gaps reaches us as floats.
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _digits(estimate: float, low: float, high: float, unit: str) -> int:
    """Decimals for a value and its interval: three figures of the estimate, the same for all of them."""
    if unit in WHOLE:
        return 0
    known = [abs(v) for v in (estimate, low, high) if not math.isnan(v) and v != 0]
    if not known:
        return 1
    lead = max(known) if math.isnan(estimate) or estimate == 0 else abs(estimate)
    return min(max(2 - math.floor(math.log10(lead)), 0), 4)


def _grouped(value: float, digits: int) -> str:
    if math.isnan(value):
        return ""
    text = f"{value:,.{digits}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def _interval(low: str, high: str) -> str:
    if low and high:
        return f"{low} to {high}"
    return f"{low} or more" if low else f"up to {high}" if high else ""


def _harmless(text: str) -> str:
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) else text
