"""The house style of every picture, and the Chart: a frozen result that keeps the table it drew.

Made for the back of a hall: a picture of 1920 x 1080 dots whose smallest writing is about 1/40 of its height,
lines named where they end instead of in a legend, a title that is a question or a finding, and one line at the
foot that says how to read it.

Colours are those of Okabe & Ito 2008 (*Color Universal Design*; Wong 2011, Nature Methods 8:441) whose contrast
with white is at least 3:1 (WCAG 2.2, success criterion 1.4.11); orange, sky blue and yellow fail it and are not
used. Colour never stands alone: a mark differs in shape, line or label too (criterion 1.4.1). Writing is black
or :data:`SOFT`.

No global state: no pyplot, a Figure of its own for every drawing, the style only inside :func:`style`.
"""

from __future__ import annotations

import io
import os
import re
import tempfile
import textwrap
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

import matplotlib
import matplotlib.patheffects as effects
import pandas as pd
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from patchstats.remarks import OutputError, PatchstatsError

INK = "#000000"
SOFT = "#595959"  # quiet writing: contrast 7.0 with white
CLOUD = "#949494"  # many faint marks that carry no meaning one by one: contrast 3.03
RULE = "#D9D9D9"  # grid lines, no meaning
BLUE = "#0072B2"
VERMILION = "#D55E00"
GREEN = "#009E73"
PURPLE = "#CC79A7"
MEANING = (BLUE, VERMILION, GREEN, PURPLE, INK)

WIDTH_DOTS, HEIGHT_DOTS, DPI = 1920, 1080, 100
NOTEBOOK_DPI = 50  # the same picture at half its width and height: keeps a notebook small
KINDS = ("png", "svg")

TITLE_LETTERS = 64  # in one line of the title
TITLE_POINTS, LABEL_POINTS, TICK_POINTS, NOTE_POINTS = 34, 26, 23, 20

_STYLE = {
    "font.family": "DejaVu Sans",  # shipped with matplotlib: the same letters on every machine
    "font.size": LABEL_POINTS,
    "axes.labelsize": LABEL_POINTS,
    "axes.titlesize": LABEL_POINTS,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": SOFT,
    "axes.linewidth": 1.5,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.prop_cycle": cycler(color=MEANING),
    "axes.unicode_minus": False,
    "grid.color": RULE,
    "grid.linewidth": 1.2,
    "xtick.labelsize": TICK_POINTS,
    "ytick.labelsize": TICK_POINTS,
    "xtick.major.size": 0,
    "ytick.major.size": 0,
    "lines.linewidth": 4,
    "lines.markersize": 14,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "patchstats",  # the same ids in every run
    "svg.fonttype": "path",
    "path.simplify": True,
}


def style():
    """The house style as a context: everything drawn inside has it, nothing outside is changed."""
    return matplotlib.rc_context(_STYLE)


@dataclass(frozen=True, eq=False)
class Chart:
    """A finished picture.

    ``name`` the stem of its file; ``title`` a question or a finding; ``table`` the rows that were drawn, in stored
    (metric) units; ``alt`` the picture in words for someone who cannot see it, made from the table; ``note`` the
    line at the foot. ``draw`` puts the marks on an empty figure.
    """

    name: str
    title: str
    table: pd.DataFrame = field(repr=False)
    alt: str
    note: str = ""
    draw: Callable[[Figure], None] = field(repr=False, default=lambda figure: None)

    def figure(self) -> Figure:
        """A new figure of 19.2 x 10.8 inches with the picture on it; belongs to the caller."""
        with style():
            figure = Figure(figsize=(WIDTH_DOTS / DPI, HEIGHT_DOTS / DPI), dpi=DPI)
            FigureCanvasAgg(figure)
            foot = 0.075 if self.note else 0.02
            figure.set_layout_engine("constrained", rect=(0.012, foot, 0.976, 0.985 - foot), h_pad=0.12, w_pad=0.1)
            figure.suptitle(textwrap.fill(self.title, TITLE_LETTERS), x=0.02, ha="left", fontsize=TITLE_POINTS,
                            fontweight="bold", linespacing=1.15)
            if self.note:
                figure.text(0.02, 0.022, self.note, fontsize=NOTE_POINTS, color=SOFT, ha="left", va="bottom")
            self.draw(figure)
            _settle(figure)
        return figure

    def to_bytes(self, kind: str = "png", *, dpi: int = DPI) -> bytes:
        """The picture as a PNG (1920 x 1080 at the usual ``dpi``) or an SVG; the same bytes in every run."""
        if kind not in KINDS:
            raise PatchstatsError(f"A chart is saved as {' or '.join(KINDS)}, not as {kind!r}.")
        buffer = io.BytesIO()
        with style():
            figure = self.figure()
            dateless = {"Date": None, "Creator": None} if kind == "svg" else None
            figure.savefig(buffer, format=kind, dpi=dpi, metadata=dateless)
        return _small_png(buffer) if kind == "png" else self._named_svg(buffer.getvalue().decode()).encode()

    def _named_svg(self, text: str) -> str:
        """The SVG with its title and description where a screen reader looks for them."""
        words = (f'<title id="title">{escape(self.title)}</title>\n <desc id="desc">{escape(self.alt)}</desc>')
        return re.sub(r"<svg ([^>]*)>", lambda m: f'<svg role="img" aria-labelledby="title desc" {m[1]}>\n {words}',
                      text, count=1)

    def save(self, path: str | os.PathLike, kind: str | None = None) -> Path:
        """Writes the picture to ``path`` (kind from the ending when not given), whole or not at all.

        Raises :class:`OutputError` when it cannot be written.
        """
        path = Path(path)
        data = self.to_bytes(kind or path.suffix.lstrip(".").lower())
        try:
            with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".chart-", delete=False) as part:
                part.write(data)
            os.chmod(part.name, 0o644)
            os.replace(part.name, path)
        except OSError as error:
            raise OutputError(f"The chart cannot be written to {path}: {error.strerror}.") from None
        return path

    def show(self) -> None:
        """Shows the picture in a notebook; elsewhere prints what it shows."""
        from IPython.display import display

        display(self)

    def _markdown(self) -> str:
        return f"**{self.title}**\n\n{self.alt}" + (f"\n\n*{self.note}*" if self.note else "")

    def __repr__(self) -> str:
        return f"{self.title}\n{self.alt}"

    def _repr_png_(self):
        size = {"width": WIDTH_DOTS // 2, "height": HEIGHT_DOTS // 2, "alt": self.alt}
        return self.to_bytes("png", dpi=NOTEBOOK_DPI), size


def _settle(figure: Figure) -> None:
    """Lays the picture out once and for all, to a millionth of its size.

    The layout's solver may differ in the last binary digits from run to run, which would change the ids in an SVG.
    """
    figure.canvas.draw()
    figure.set_layout_engine("none")
    for ax in figure.axes:
        left, bottom, width, height = ax.get_position().bounds
        ax.set_position((round(left, 6), round(bottom, 6), round(width, 6), round(height, 6)))
    for text in figure.texts:
        x, y = text.get_position()
        text.set_position((round(x, 6), round(y, 6)))


def _small_png(buffer: io.BytesIO) -> bytes:
    """The picture with a palette of 256 colours that keeps rare ones too: about half of the bytes."""
    small = io.BytesIO()
    palette = Image.open(buffer).convert("RGB").quantize(256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    palette.save(small, "png", optimize=True)
    return small.getvalue()


def require(table: pd.DataFrame, columns: tuple[str, ...], chart: str) -> pd.DataFrame:
    """The table, or an error that names what the chart lacks."""
    missing = [c for c in columns if c not in table.columns]
    if missing:
        raise PatchstatsError(f"The chart {chart} needs the column {', '.join(missing)}.")
    if table.empty:
        raise PatchstatsError(f"The chart {chart} has nothing to draw: its table has no rows.")
    return table


def name_line(ax: Axes, x: float, y: float, words: str, *, color: str = INK, dx: float = 12, dy: float = 0,
              ha: str = "left", va: str = "center", points: float = LABEL_POINTS, weight: str = "bold") -> None:
    """Writes a line's name beside a point of it, with a white edge so that it reads across other marks.

    ``dx`` and ``dy`` move it off the point [typographic points].
    """
    ax.annotate(words, (x, y), xytext=(dx, dy), textcoords="offset points", color=color, fontsize=points,
                fontweight=weight, ha=ha, va=va, zorder=10,
                path_effects=[effects.withStroke(linewidth=6, foreground="white")])


def interval(ax: Axes, low, high, at, *, color: str = INK, width: float = 5, vertical: bool = False) -> None:
    """Draws intervals as thick lines, lying (the default) or standing."""
    draw = ax.vlines if vertical else ax.hlines
    draw(at, low, high, color=color, linewidth=width)


def joined(words: list[str]) -> str:
    """Words in a row as one says them: ``a``, ``a and b``, ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
