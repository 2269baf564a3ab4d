"""Model formulas: the fixed part as in patsy, the random part in parentheses with a bar.

``gain ~ spline(day, 4) + set_day + (1 + day | fruit) + (1 | grower)`` reads: gain depends on a natural cubic spline
of day and on set_day; fruits differ in level and in slope, the two correlated; growers differ in level.

``(x || g)`` keeps the columns of x uncorrelated, ``(1 | a/b)`` means ``(1 | a) + (1 | a:b)``, and ``a:b`` is a factor
with one level per combination that occurs. Python expressions are allowed in the fixed part and left of the bar;
they see the data, ``np`` and the transforms below, nothing else.
"""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import patsy
from scipy.interpolate import CubicSpline

from patchstats.remarks import ModelError


class _Spline:
    """Natural cubic spline that remembers its knots, for patsy: ``df`` columns beside an intercept.

    Knots lie at equal quantiles of the data, or where ``knots=(...)`` puts them; beyond the outer knots the curve is
    straight. The columns are cardinal
    (column j is one at knot j + 1 and zero at every other knot), the first knot's left out for the intercept.
    """

    def __init__(self):
        self._pieces = []
        self._df = None
        self.knots = None

    def memorize_chunk(self, x, df=4, knots=None):
        self._pieces.append(np.asarray(x, dtype=float).ravel())
        self._df = int(df) if knots is None else len(knots) - 1
        self.knots = None if knots is None else np.asarray(knots, dtype=float)

    def memorize_finish(self):
        x = np.concatenate(self._pieces)
        self._pieces = []
        if self.knots is not None:
            if len(self.knots) < 2 or np.any(np.diff(self.knots) <= 0.0):
                raise ModelError("The knots of a spline are two or more numbers, each above the one before.")
            return
        if self._df < 1:
            raise ModelError(f"A spline needs at least 1 degree of freedom, not {self._df}.")
        self.knots = np.quantile(x[np.isfinite(x)], np.linspace(0.0, 1.0, self._df + 1))
        if np.any(np.diff(self.knots) <= 0.0):
            raise ModelError(f"A spline with {self._df} degrees of freedom needs more distinct values than this column "
                             "has; use fewer.")

    def transform(self, x, df=4, knots=None):
        x = np.asarray(x, dtype=float).ravel()
        if self._df == 1:
            low, high = self.knots
            return ((x - low) / (high - low))[:, None]
        curve = CubicSpline(self.knots, np.eye(len(self.knots)), bc_type="natural")
        place, distinct = pd.factorize(x)  # whole days: far fewer values than rows
        inside = np.clip(distinct, self.knots[0], self.knots[-1])
        columns = curve(inside) + curve(inside, 1) * (distinct - inside)[:, None]
        return np.where(place[:, None] < 0, np.nan, columns[place, 1:])


spline = patsy.stateful_transform(_Spline)

_NAMES = {"spline": spline, "np": np}


@dataclass(frozen=True)
class NumberColumns:
    """A part of a formula that is number columns side by side, the intercept first if it has one.

    Most parts are no more than that, and patsy, which reads all the others, takes milliseconds over each.
    """

    names: tuple[str, ...]
    intercept: bool

    @classmethod
    def read(cls, expression: str, table: pd.DataFrame) -> NumberColumns | None:
        """The part, if it is such a one."""
        names: list[str] = []
        marks: set[str] = set()
        for piece in (piece.strip() for piece in expression.split("+")):
            if piece in ("0", "1"):
                marks.add(piece)
            elif piece in table.columns and re.fullmatch(r"[^\W\d]\w*", piece):
                dtype = table[piece].dtype
                if not pd.api.types.is_numeric_dtype(dtype) or pd.api.types.is_bool_dtype(dtype):
                    return None
                names.append(piece)
            else:
                return None
        return None if len(marks) > 1 else cls(tuple(dict.fromkeys(names)), "0" not in marks)

    @property
    def column_names(self) -> list[str]:
        return [*(["Intercept"] if self.intercept else []), *self.names]

    @property
    def term_name_slices(self) -> dict[str, slice]:
        return {name: slice(j, j + 1) for j, name in enumerate(self.column_names)}

    def matrix(self, table: pd.DataFrame) -> np.ndarray:
        made = np.ones((len(table), len(self.column_names)))
        for j, name in enumerate(self.names, start=int(self.intercept)):
            made[:, j] = table[name].to_numpy(dtype=float)
        return made


@dataclass(frozen=True)
class RandomPart:
    """One term as written: the expression left of the bar, the factors of its group, and if it is diagonal."""

    expression: str
    group: tuple[str, ...]
    diagonal: bool

    @property
    def group_name(self) -> str:
        return ":".join(self.group)


@dataclass(frozen=True)
class Formula:
    """A formula taken apart."""

    text: str
    response: str
    fixed: str
    random: tuple[RandomPart, ...]


@dataclass(frozen=True)
class RandomDesign:
    """A random term in numbers: columns [n, q], level number of each row, level labels, rows a level, how to rebuild.

    Of a fit fed in pieces the rows are not kept: ``columns`` and ``codes`` are empty there.
    """

    part: RandomPart
    columns: np.ndarray
    names: tuple[str, ...]
    codes: np.ndarray
    labels: np.ndarray
    counts: np.ndarray
    info: Any


@dataclass(frozen=True)
class Design:
    """Everything read off the data: rows used, response, fixed columns, random terms (no rows if fed in pieces)."""

    formula: Formula
    index: pd.Index
    kept: np.ndarray
    y: np.ndarray
    x: np.ndarray
    names: tuple[str, ...]
    random: tuple[RandomDesign, ...]
    dropped: int
    info: Any
    kept_columns: tuple[int, ...] | None = None
    means: dict[str, float] | None = None
    categories: dict[str, list] | None = None
    response_info: Any = None


def parse_formula(text: str) -> Formula:
    """Take a formula apart; raises ModelError with the place of the trouble."""
    if text.count("~") != 1:
        raise ModelError(f"A formula has one ~ between what is explained and what explains it; this one has "
                         f"{text.count('~')}: {text}")
    left, right = (side.strip() for side in text.split("~"))
    if not left:
        raise ModelError(f"Nothing stands left of the ~: {text}")
    fixed, random = [], []
    for piece in _split_top(right, "+"):
        inner = piece[1:-1] if piece.startswith("(") and piece.endswith(")") else ""
        if "|" in inner and _split_top(inner, "|")[1:]:
            random.extend(_random_parts(inner, text))
        elif "|" in _outside_parentheses(piece):
            raise ModelError(f"A random term goes in parentheses, as in (1 | grower); found: {piece}")
        else:
            fixed.append(piece)
    return Formula(text, left, " + ".join(fixed) or "1", tuple(random))


def _outside_parentheses(text: str) -> str:
    depth, out = 0, []
    for letter in text:
        depth += letter in "([{"
        if depth == 0:
            out.append(letter)
        depth -= letter in ")]}"
    return "".join(out)


def _split_top(text: str, mark: str) -> list[str]:
    """Split at a mark outside parentheses and quotes."""
    pieces, depth, quote, start = [], 0, "", 0
    for position, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter in "([{":
            depth += 1
        elif letter in ")]}":
            depth -= 1
        elif letter == mark and depth == 0:
            pieces.append(text[start:position].strip())
            start = position + 1
    if depth:
        raise ModelError(f"The parentheses do not match in: {text}")
    pieces.append(text[start:].strip())
    return [piece for piece in pieces if piece] if mark == "+" else pieces


def _random_parts(inner: str, text: str) -> list[RandomPart]:
    bars = _split_top(inner, "|")
    diagonal = len(bars) == 3 and bars[1] == ""
    if len(bars) != 2 and not diagonal:
        raise ModelError(f"A random term has one bar, or || for uncorrelated columns; found: ({inner})")
    expression, group = bars[0], bars[-1]
    if not expression or not group:
        raise ModelError(f"A random term names columns left of the bar and a group right of it; found: ({inner})")
    chain: list[str] = []
    parts = []
    for level in (piece.strip() for piece in group.split("/")):
        factors = [factor.strip() for factor in level.split(":")]
        for factor in factors:
            if not re.fullmatch(r"[^\W\d]\w*", factor):
                raise ModelError(f"The group {group!r} in ({inner}) is not a column, a:b or a/b. Formula: {text}")
        chain.extend(factors)
        parts.append(RandomPart(expression, tuple(chain), diagonal))
    return parts


def columns_used(formula: Formula, data: pd.DataFrame) -> list[str]:
    """Names of the data columns that a formula mentions, in the data's order; raises where a group has none."""
    used: set[str] = set()
    for part in formula.random:
        for factor in part.group:
            if factor not in data.columns:
                raise ModelError(_no_column(factor, data))
            used.add(factor)
    for expression in (formula.response, formula.fixed, *(part.expression for part in formula.random)):
        # patsy's own operators (~ : ^) are not all Python; names are read piece by piece
        for piece in re.split(r"[~:]", expression):
            try:
                tree = ast.parse(piece.replace("^", "**").strip().lstrip("+-*/ ") or "1", mode="eval")
            except SyntaxError:
                found = set(re.findall(r"[^\W\d]\w*", piece))
            else:
                found = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
                found |= {str(node.value) for node in ast.walk(tree)
                          if isinstance(node, ast.Constant) and isinstance(node.value, str)}
            used |= found & set(map(str, data.columns))
    return [name for name in data.columns if str(name) in used]


def _no_column(name: str, data: pd.DataFrame) -> str:
    return f"The data have no column {name!r}; they have: {', '.join(map(str, data.columns))}."


def build_design(formula: Formula, data: pd.DataFrame, *, also: tuple[str, ...] = ()) -> Design:
    """Columns of numbers from a table; rows with a gap in any column used (or in ``also``) are left out, counted."""
    if not isinstance(data, pd.DataFrame):
        raise ModelError("The data must be a table (a pandas DataFrame).")
    for name in also:
        if name not in data.columns:
            raise ModelError(_no_column(name, data))
    used = list(dict.fromkeys([*columns_used(formula, data), *also]))
    kept = ~data[used].isna().to_numpy().any(axis=1) if used else np.ones(len(data), dtype=bool)
    table = data.loc[kept, used] if not kept.all() else data[used]
    if len(table) == 0:
        raise ModelError("No row has a value in every column of the formula: " + ", ".join(map(str, used)) + ".")
    response, response_info = _matrix(f"0 + {formula.response}", table, data)
    if response.shape[1] != 1:
        raise ModelError(f"The response {formula.response!r} must be one column of numbers.")
    fixed, fixed_info = _matrix(formula.fixed, table, data)
    random = []
    made = {expression: _matrix(expression, table, data)
            for expression in dict.fromkeys(part.expression for part in formula.random)}
    for part in formula.random:
        columns, info = made[part.expression]
        codes, labels = group_codes(part, table)
        random.append(RandomDesign(part, columns, _plain(info.column_names), codes, labels,
                                   np.bincount(codes, minlength=len(labels)), info))
    means, categories = _middles(fixed_info, table)
    return Design(formula, table.index, kept, response[:, 0], fixed, _plain(fixed_info.column_names), tuple(random),
                  int((~kept).sum()), fixed_info, means=means, categories=categories, response_info=response_info)


def _middles(info: Any, table: pd.DataFrame) -> tuple[dict[str, float], dict[str, list]]:
    """Means of the number columns of the fixed part and levels of its factors: what marginal means are taken over."""
    if isinstance(info, NumberColumns):
        return {name: float(table[name].mean()) for name in info.names}, {}
    means: dict[str, float] = {}
    categories: dict[str, list] = {}
    for factor_info in info.factor_infos.values():
        tree = ast.parse(factor_info.factor.code, mode="eval")
        names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)} & set(map(str, table.columns))
        for name in names:
            if factor_info.type == "categorical":
                categories[name] = sorted(pd.unique(table[name]))
            elif pd.api.types.is_numeric_dtype(table[name]):
                means.setdefault(name, float(table[name].mean()))
    return means, categories


def group_codes(part: RandomPart, table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Level number of each row and the level labels in sorted order (``a:b`` levels are written ``x:y``)."""
    if len(part.group) == 1:
        codes, labels = pd.factorize(table[part.group[0]], sort=True)
        return codes.astype(np.int64), np.asarray(labels, dtype=object)
    keys = [pd.factorize(table[factor], sort=True) for factor in part.group]
    together = keys[0][0].astype(np.int64)
    for codes, labels in keys[1:]:
        together = together * max(len(labels), 1) + codes
    number, distinct = pd.factorize(together, sort=True)
    words = []
    for key in np.asarray(distinct):
        word: list[str] = []
        for _, labels in reversed(keys[1:]):
            key, place = divmod(int(key), max(len(labels), 1))
            word.append(str(labels[place]))
        word.append(str(keys[0][1][int(key)]))
        words.append(":".join(reversed(word)))
    return number.astype(np.int64), np.asarray(words, dtype=object)


def rebuild(info: Any, table: pd.DataFrame) -> np.ndarray:
    """The columns of a remembered design for new rows."""
    if isinstance(info, NumberColumns):
        for name in info.names:
            if name not in table.columns:
                raise ModelError(f"The new rows do not fit the model. {_no_column(name, table)}")
        try:
            made = info.matrix(table)
        except (TypeError, ValueError) as trouble:
            raise ModelError(f"The new rows do not fit the model: {trouble}") from trouble
        if np.isnan(made).any():
            raise ModelError("The new rows have gaps in a column of the model; leave those rows out.")
        return made
    try:
        made = np.asarray(patsy.build_design_matrices([info], table, NA_action="raise")[0])
    except patsy.PatsyError as trouble:
        if "missing values" in str(trouble):
            raise ModelError("The new rows have gaps in a column of the model; leave those rows out.") from trouble
        raise ModelError(f"The new rows do not fit the model: {str(trouble).splitlines()[0]}") from trouble
    # an intercept alone says nothing of the number of rows
    return np.repeat(made, len(table), axis=0) if len(made) == 1 and len(table) != 1 else made


def _plain(names: list[str]) -> tuple[str, ...]:
    return tuple("(Intercept)" if name == "Intercept" else name for name in names)


def _matrix(expression: str, table: pd.DataFrame, data: pd.DataFrame) -> tuple[np.ndarray, Any]:
    """A part's columns and the record by which they can be made anew."""
    plain = NumberColumns.read(expression, table)
    made, info = _by_patsy(expression, table, data) if plain is None else (plain.matrix(table), plain)
    if not np.isfinite(made).all():
        raise ModelError(f"{expression!r} gives a value that is no finite number (the log of zero, perhaps).")
    return made, info


def _by_patsy(expression: str, table: pd.DataFrame, data: pd.DataFrame) -> tuple[np.ndarray, Any]:
    environment = patsy.EvalEnvironment([_NAMES])
    try:
        # Rows with gaps are gone, and what the expression makes of the rest is looked at below: patsy need not look.
        unseen = patsy.NAAction(on_NA="raise", NA_types=[])
        matrix = patsy.dmatrix(expression, table, eval_env=environment, NA_action=unseen, return_type="matrix")
    except patsy.PatsyError as trouble:
        missing = re.search(r"name '(\w+)' is not defined", str(trouble))
        if missing:
            raise ModelError(_no_column(missing.group(1), data)) from trouble
        raise ModelError(f"{expression!r} cannot be worked out: {str(trouble).splitlines()[0]}") from trouble
    except (NameError, SyntaxError, TypeError, ValueError) as trouble:
        raise ModelError(f"{expression!r} cannot be worked out: {trouble}") from trouble
    return np.asarray(matrix), matrix.design_info
