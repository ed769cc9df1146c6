"""Questions in DuckDB's words as Spark's, by sqlglot: values put in, tables renamed, what Spark says otherwise."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any

import ibis
import sqlglot
from sqlglot import exp

from plantstats.exposure.engines.base import Parameters

EDGES = (exp.First, exp.Last)
MAIN = "main"  # schema of the tables that a branch began with
Columns = Callable[[str], Sequence[str]]


def prepare() -> None:
    """Let ibis write for Spark: it asks for the options of a backend of its own, which is not used here."""
    from ibis.backends.pyspark import Backend  # noqa: PLC0415

    if ibis.options.pyspark is None:
        ibis.options.pyspark = Backend.Options()


def to_spark(
    query: str,
    dialect: str,
    parameters: Parameters,
    tables: Mapping[str, str],
    whole: Mapping[str, str],
    columns: Columns = lambda view: [],
) -> str:
    """A query as Spark's text.

    Parameters
    ----------
    query : str
        One statement.
    dialect : str
        "duckdb" or "pyspark".
    parameters : mapping or sequence
        Values for `$name` or `?`.
    tables : mapping of str to str
        Name in the query -> name of the view.
    whole : mapping of str to str
        The same for names that begin with `main.`.
    columns : callable
        Names of the columns of a view.

    Returns
    -------
    str

    Examples
    --------
    >>> to_spark("select min(a) from t where b >= ?", "duckdb", [date(2026, 9, 30)], {"t": "step_1"}, {})
    "SELECT MIN(a) FROM step_1 AS t WHERE b >= CAST('2026-09-30' AS DATE)"
    """
    tree = _parsed(query, "spark" if dialect == "pyspark" else dialect).copy()
    _put_in(tree, parameters)
    for join in list(tree.find_all(exp.Join)):
        if join.method == "ASOF":
            _asof(join)
    _say_otherwise(tree)
    for select in list(tree.find_all(exp.Select)):
        _number_columns(select)
        _without_replace(select, tables, whole, columns)
    _rename(tree, tables, whole)
    return tree.sql(dialect="spark")


def columns_as_they_are(query: str) -> list[str]:
    """Columns of the answer that a query hands over without a cast or function.

    Parameters
    ----------
    query : str
        In DuckDB's words.

    Returns
    -------
    list of str

    Examples
    --------
    >>> columns_as_they_are("select a, b::varchar as b, max(c) as c from t")
    ['a']
    """
    return [column.name for column in _parsed(query, "duckdb").selects if isinstance(column, exp.Column)]


@lru_cache(maxsize=256)
def _parsed(query: str, dialect: str) -> exp.Query:
    tree = sqlglot.parse_one(query, read=dialect)
    assert isinstance(tree, exp.Query)
    return tree


def _put_in(tree: exp.Query, parameters: Parameters) -> None:
    """Values in place of `$name` and `?`."""
    named = parameters if isinstance(parameters, Mapping) else {}
    in_turn = iter(() if isinstance(parameters, Mapping) else parameters)
    # In the order of the text: what stands in `with` first (the tree has it last), else depth first.
    for part in (*tree.ctes, tree):
        for mark in list(part.find_all(exp.Placeholder, exp.Parameter, bfs=False)):
            name = mark.args.get("this")
            mark.replace(_literal(named[str(getattr(name, "name", name))] if name else next(in_turn)))


def _literal(value: Any) -> exp.Expr:
    if isinstance(value, date):
        return exp.cast(exp.Literal.string(value.isoformat()), "date")
    if isinstance(value, (list, tuple)):
        return exp.Array(expressions=[_literal(one) for one in value])
    return exp.convert(value.item() if hasattr(value, "item") else value)


def _asof(join: exp.Join) -> None:
    """`a asof join b on a.k = b.k and a.t >= b.t`: of b, each row until the next of its key."""
    on = list(join.args["on"].flatten()) if isinstance(join.args["on"], exp.And) else [join.args["on"]]
    (later,) = (condition for condition in on if isinstance(condition, exp.GTE))
    right = join.this
    keys = [
        side.name for c in on if isinstance(c, exp.EQ) for side in c.find_all(exp.Column) if side.table == right.alias
    ]
    at = later.right.name
    window = f"lead({at}) over (partition by {', '.join(keys)} order by {at})"
    rows = sqlglot.parse_one(f"select *, {window} as asof_until from {right.name}", read="duckdb")
    for column in rows.find_all(exp.Column):
        column.this.set("quoted", True)
    until = exp.column("asof_until", table=right.alias)
    within = exp.or_(until.copy().is_(exp.null()), exp.LT(this=later.left.copy(), expression=until))
    join.replace(exp.Join(this=exp.Subquery(this=rows, alias=right.args["alias"]), on=exp.and_(*on, within)))


def _say_otherwise(tree: exp.Expr) -> None:
    """What Spark calls by another name, the innermost first."""
    for node in reversed(list(tree.find_all(*EDGES, exp.ArrayAgg, exp.Anonymous))):
        ordered = isinstance(node.this, exp.Order)
        if ordered and isinstance(node, EDGES):
            kind = exp.ArgMin if isinstance(node, exp.First) else exp.ArgMax
            node.replace(kind(this=node.this.this, expression=node.this.expressions[0].this))
        elif ordered:
            # By itself: the one order that a list is asked for in.
            node.replace(exp.ArraySort(this=exp.ArrayAgg(this=node.this.this)))
        elif node.name.lower() == "list_slice":
            node.set("this", "slice")


def _number_columns(select: exp.Select) -> None:
    """`group by all` and `order by all` by the numbers of the columns: not every engine knows the word."""
    group, order = select.args.get("group"), select.args.get("order")
    if group and group.args.get("all"):
        keys = [at for at, column in enumerate(select.expressions, 1) if not column.find(exp.AggFunc)]
        numbers = [exp.Literal.number(at) for at in keys]
        select.set("group", exp.Group(expressions=numbers) if keys else None)
    if order and order.expressions[0].this.name == "ALL":
        numbers = [exp.Literal.number(at) for at in range(1, len(select.expressions) + 1)]
        order.set("expressions", [exp.Ordered(this=number, nulls_first=False) for number in numbers])


def _without_replace(select: exp.Select, tables: Mapping[str, str], whole: Mapping[str, str], columns: Columns) -> None:
    """`* replace (x as y)` of a table as its columns."""
    read = select.args.get("from_")
    if read is None:
        return
    joined = [read.this, *(join.this for join in select.args.get("joins", []))]
    sources = {table.alias_or_name: table for table in joined if isinstance(table, exp.Table)}
    listed: list[exp.Expr] = []
    for column in select.expressions:
        star = column.this if isinstance(column, exp.Column) else column
        if not (isinstance(star, exp.Star) and star.args.get("replace")):
            listed.append(column)
            continue
        of = column.table if isinstance(column, exp.Column) else next(iter(sources))
        view = (whole if sources[of].db == MAIN else tables)[sources[of].name]
        new = {replacement.alias: replacement for replacement in star.args["replace"]}
        listed += [new.get(name, exp.column(name, table=of, quoted=True)) for name in columns(view)]
    select.set("expressions", listed)


def _rename(tree: exp.Expr, tables: Mapping[str, str], whole: Mapping[str, str]) -> None:
    """Views in place of the names of tables, which stay as aliases."""
    own = {cte.alias for cte in tree.find_all(exp.CTE)}
    for table in list(tree.find_all(exp.Table)):
        of_whole = table.db == MAIN
        if not of_whole and table.name in own:
            continue
        view = (whole if of_whole else tables).get(table.name)
        if view is None:
            continue
        alias = table.alias or table.name
        table.replace(exp.alias_(exp.to_table(view), alias, table=True))
