"""The page of a record as one HTML file: no script, nothing fetched, light and dark, printable."""

from html import escape

from listen.page import Facts, Items, Page, Part, Pictures, Table

_STYLE = """
:root { color-scheme: light dark; --paper: #fdfcf9; --ink: #1c1b19; --faint: #5c5852;
  --rule: #d8d3c8; --band: #dfe8ec; --edge: #5f7f8d; --mark: #9a3d12; --sound: #b9b3a6; }
@media (prefers-color-scheme: dark) { :root { --paper: #191816; --ink: #ece8df; --faint: #b0a99c;
  --rule: #423f39; --band: #2b3b42; --edge: #8fb3c2; --mark: #f0a070; --sound: #6b665c; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.6rem 1.2rem 3rem; max-width: 62rem; background: var(--paper);
  color: var(--ink); font: 1rem/1.45 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.5rem; margin: 0; } header p { margin: .2rem 0 0; color: var(--faint); }
header { border-bottom: 2px solid var(--ink); padding-bottom: .6rem; }
h2 { font-size: 1rem; margin: 1.5rem 0 .35rem; }
table { border-collapse: collapse; width: 100%; font-size: .85rem;
  font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: .16rem .7rem .16rem 0; border-bottom: 1px solid var(--rule);
  vertical-align: top; }
th { font-weight: normal; color: var(--faint); } .n { text-align: right; }
.scroll { overflow-x: auto; } .scroll th, .scroll td { white-space: nowrap; }
.struck td { text-decoration: line-through; color: var(--faint); }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .12rem .9rem; margin: 0;
  font-size: .9rem; } dt { color: var(--faint); } dd { margin: 0; overflow-wrap: anywhere; }
ul { margin: 0; padding-left: 1.1rem; font-size: .9rem; }
.pictures { display: flex; flex-wrap: wrap; gap: .5rem 1rem; }
figure { margin: 0; flex: 0 1 26rem; } .sounds figure { flex: 0 1 18.5rem; }
figcaption { font-size: .8rem; color: var(--faint); }
svg { display: block; width: 100%; height: auto; }
svg text { font-family: Georgia, "Times New Roman", serif; fill: var(--ink); }
svg .t-faint { fill: var(--faint); }
polyline, polygon { fill: none; stroke: var(--ink); stroke-linejoin: round; }
.l-spec { stroke: var(--edge); } .l-mark, .h-mark { stroke: var(--mark); }
.l-faint { stroke: var(--faint); }
.a-band { fill: var(--band); stroke: var(--edge); stroke-width: .15; }
.a-mark { fill: var(--mark); stroke: none; } .h-mark { stroke-width: .35; }
.a-faint { fill: var(--sound); stroke: none; }
@media print { @page { margin: 9mm 11mm; }
  :root { --paper: #fff; --ink: #000; --faint: #444; --rule: #bbb; --band: #e4eaed;
    --edge: #456; --mark: #7a2d0c; --sound: #bbb; }
  body { padding: 0; max-width: none; font-size: 7.4pt; line-height: 1.22; }
  main { columns: 2; column-gap: 6mm; } tr, figure { break-inside: avoid; }
  h2 { break-after: avoid; }
  .wide { column-span: all; } h1 { font-size: 12pt; } h2 { font-size: 8pt; margin: 1.4mm 0 .5mm; }
  th, td { padding: .1mm 1.4mm .1mm 0; } table, dl, ul { font-size: 6.8pt; }
  .pictures { gap: 1mm 3mm; } figure, .sounds figure { flex: 0 1 auto; }
  .wheels svg { width: 58mm; }
  .sounds svg { width: 28mm; } .scroll { overflow: visible; }
  .scroll th, .scroll td { white-space: normal; } figcaption { font-size: 6pt; } }
"""


def as_html(page: Page) -> str:
    """Return a page as the text of one HTML file."""
    parts = "\n".join(_part(part, number) for number, part in enumerate(page.parts))
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{escape(page.title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<header><h1>{escape(page.title)}</h1><p>{escape(page.subtitle)}</p></header>
<main>
{parts}
</main>
</body>
</html>
"""


def _part(part: Part, number: int) -> str:
    heading = f'<h2 id="h{number}">{escape(part.title)}</h2>'
    mark = ' class="wide"' if part.position == "wide" else ""
    return f'<section aria-labelledby="h{number}"{mark}>{heading}{_inside(part, number)}</section>'


def _inside(part: Part, number: int) -> str:
    if isinstance(part, Facts):
        rows = "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in part.rows)
        return f"<dl>{rows}</dl>"
    if isinstance(part, Items):
        return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in part.items)}</ul>"
    if isinstance(part, Pictures):
        kind = "sounds" if all(picture.height_mm < 25 for picture in part.pictures) else "wheels"
        figures = "".join(
            f"<figure>{picture.svg(f'p{number}-{place}')}"
            + (f"<figcaption>{escape(picture.title)}</figcaption>" if kind == "sounds" else "")
            + "</figure>"
            for place, picture in enumerate(part.pictures)
        )
        return f'<div class="pictures {kind}">{figures}</div>'
    return _table(part, number)


def _table(table: Table, number: int) -> str:
    kind = ["n" if place in table.numbers else "" for place in range(len(table.headings))]
    # A cell that heads nothing is no heading.
    head = "".join(
        f'<th scope="col" class="{name}">{escape(text)}</th>' if text else "<td></td>"
        for name, text in zip(kind, table.headings, strict=True)
    )
    rows = []
    for place, row in enumerate(table.rows):
        cells = "".join(
            f'<td class="{name}">{escape(text)}</td>' for name, text in zip(kind, row, strict=True)
        )
        rows.append(f'<tr class="{"struck" if place in table.struck else ""}">{cells}</tr>')
    return (
        f'<div class="scroll" role="group" aria-labelledby="h{number}" tabindex="0"><table>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )
