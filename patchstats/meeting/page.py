"""The annual meeting's page: sections of findings and charts as one self-contained HTML file.

One file that asks nothing of the net: pictures and style stand inside it, no script runs, and a content security
policy forbids the rest. Made to be read by everyone: one heading of the first rank and sections below it, a link past
the contents, alt texts, the table behind every chart, black on white (WCAG 2.2, success criteria 1.1.1, 1.3.1, 1.4.3,
2.4.1), and a print style with one chart a page at most.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import pandas as pd

from patchstats.charts import Chart
from patchstats.findings import Finding, Findings, caveats, together
from patchstats.units import IMPERIAL, Shown, shown_frame

CAUTIONS = (
    "A heavy fruit crushes hands, feet and backs. Lift with people who have done it, with gear rated for the weight, "
    "and never stand under a load.",
    "Work in heat needs water, shade and rests. Leave when someone feels ill, and call for help.",
    "Follow the label and the law of your place for anything sprayed or spread, and ask a licensed adviser where one "
    "is required. This page gives no doses.",
    "Soil cables, fans and pumps stand in wet ground: have them put in by a licensed electrician, to local code.",
    "Do not eat fruit that was treated, sealed or bred for size alone unless you know it to be fit to eat.",
    "Findings here are observational: they say what went together in this club's logs, not what would follow from "
    "doing something.",
)
LONGEST_TABLE = 60

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0; color: #000; background: #fff; font: 1.25rem/1.5 "DejaVu Sans", Verdana, Arial, sans-serif; }
main, header, footer, nav { max-width: 74rem; margin: 0 auto; padding: 0 1.5rem; }
h1 { font-size: 2.4rem; line-height: 1.2; margin: 2rem 0 .5rem; }
h2 { font-size: 1.9rem; line-height: 1.25; margin: 3rem 0 1rem; border-top: .3rem solid #0072B2; padding-top: 1rem; }
a { color: #004F7C; }
a:focus-visible, summary:focus-visible { outline: .2rem solid #000; outline-offset: .2rem; }
.skip { position: absolute; left: -100rem; }
.skip:focus { left: 1rem; top: 1rem; background: #fff; padding: .5rem 1rem; }
ul.findings { padding-left: 1.4rem; }
ul.findings > li { margin: .8rem 0; font-size: 1.4rem; }
ul.findings ul { font-size: 1.1rem; }
p.caveat { color: #404040; border-left: .3rem solid #595959; padding-left: .8rem; }
figure { margin: 2rem 0; }
figure img { display: block; width: 100%; height: auto; border: 1px solid #767676; }
details { margin: .5rem 0 0; }
summary { cursor: pointer; padding: .3rem 0; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-size: 1rem; }
th, td { border: 1px solid #767676; padding: .25rem .6rem; text-align: right; }
th { background: #f2f2f2; }
th:first-child, td:first-child { text-align: left; }
footer { border-top: .3rem solid #000; margin-top: 4rem; padding-bottom: 4rem; }
@media print {
  body { font-size: 11pt; }
  nav, .skip, details { display: none; }
  h2 { break-after: avoid; break-before: page; }
  figure, li { break-inside: avoid; }
  figure img { max-height: 16cm; width: auto; max-width: 100%; }
}
""".strip()

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


@dataclass(frozen=True)
class Section:
    """One question of the meeting: its title, a line of words, what was found, and the charts that show it."""

    title: str
    words: str
    findings: tuple[Finding, ...]
    charts: tuple[Chart, ...]

    def show(self) -> None:
        """Shows the first chart in a notebook; where the logs leave the question open, says why."""
        if self.charts:
            self.charts[0].show()
        else:
            print(f"{self.title} {self.words}")


def all_findings(sections: Sequence[Section]) -> Findings:
    """The findings of every section, in the order to be read."""
    return together(*(section.findings for section in sections))


def as_html(title: str, subtitle: str, sections: Sequence[Section], *, shown: Shown = IMPERIAL) -> str:
    """The page as text; everything that came from members is escaped."""
    contents = "\n".join(f'<li><a href="#part-{number}">{escape(section.title)}</a></li>'
                         for number, section in enumerate(sections, 1))
    parts = "\n".join(_section(number, section, shown) for number, section in enumerate(sections, 1))
    cautions = "\n".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{escape(title)}</title>
<link rel="icon" href="data:,">
<style>
{_STYLE}
</style>
</head>
<body>
<a class="skip" href="#main">Past the contents to the findings</a>
<header>
<h1>{escape(title)}</h1>
<p>{escape(subtitle)}</p>
</header>
<nav aria-label="Contents">
<ol>
{contents}
<li><a href="#cautions">Cautions</a></li>
</ol>
</nav>
<main id="main">
{parts}
</main>
<footer>
<h2 id="cautions">Cautions</h2>
<ul>
{cautions}
</ul>
</footer>
</body>
</html>
"""


def _section(number: int, section: Section, shown: Shown) -> str:
    found = "\n".join(_finding(finding) for finding in section.findings)
    return "\n".join((
        f'<section aria-labelledby="part-{number}">',
        f'<h2 id="part-{number}">{escape(section.title)}</h2>',
        f"<p>{escape(section.words)}</p>" if section.words else "",
        f'<ul class="findings">\n{found}\n</ul>' if found else "",
        *(f'<p class="caveat">{escape(caveat)}</p>' for caveat in caveats(section.findings)),
        *(_figure(chart, shown) for chart in section.charts),
        "</section>"))


def _finding(finding: Finding) -> str:
    doubts = "".join(f"<li>Doubt: {escape(doubt)}</li>" for doubt in finding.doubts)
    return f"<li>{escape(finding.sentence)}{f'<ul>{doubts}</ul>' if doubts else ''}</li>"


def _figure(chart: Chart, shown: Shown) -> str:
    picture = base64.b64encode(chart.to_bytes("png")).decode()
    table = chart.table.head(LONGEST_TABLE)
    more = f", the first {LONGEST_TABLE} of {len(chart.table):,} rows" if len(chart.table) > LONGEST_TABLE else ""
    return (f'<figure>\n<img width="1920" height="1080" alt="{escape(chart.alt)}" '
            f'src="data:image/png;base64,{picture}">\n<figcaption>\n'
            f"<details><summary>The numbers behind this chart{more}</summary>\n"
            f'<div class="scroll" tabindex="0" role="region" aria-label="Table: {escape(chart.title)}">\n'
            f"{_table(table, shown)}\n</div></details></figcaption>\n</figure>")


def _table(table: pd.DataFrame, shown: Shown) -> str:
    """A table in the club's units, at most one decimal more than a grower would say."""
    frame = shown_frame(table, shown)
    heads = "".join(f'<th scope="col">{escape(str(c).replace("_", " "))}</th>' for c in frame.columns)
    rows = "\n".join("<tr>" + "".join(f"<td>{escape(_cell(v))}</td>" for v in row) + "</tr>"
                     for row in frame.itertuples(index=False))
    return f"<table>\n<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>"


def _cell(value) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)
