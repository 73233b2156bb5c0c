"""Frame and look of a record: a paper first, and readable on a phone."""

FRAME = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{look}</style>
</head>
<body>
{body}
</body>
</html>
"""

LOOK = """
:root { --ink: #101a1e; --soft: #43535a; --line: #c9ceca; --ground: #e9e6dd; --paper: #fff; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0; background: var(--ground); color: var(--ink);
  font: 15px/1.45 "Liberation Sans", "Helvetica Neue", Arial, "DejaVu Sans", sans-serif;
  font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
.front, .details { max-width: 1080px; margin: 24px auto; padding: 36px 44px;
  background: var(--paper); }
.brand { display: flex; justify-content: space-between; gap: 16px; margin: 0 0 18px;
  padding-bottom: 8px; border-bottom: 3px solid var(--ink); }
h1 { margin: 0 0 14px; font-size: 30px; line-height: 1.15; letter-spacing: -.01em; }
h1.long { font-size: 20px; letter-spacing: 0; }
h2 { margin: 26px 0 8px; font-size: 19px; line-height: 1.2; }
h3 { margin: 0 0 4px; font-size: 15px; }
p { margin: 0 0 4px; }
@media screen { section > p { max-width: 82ch; } }
.soft, dt, small { color: var(--soft); }
small { display: block; font-size: .87em; }
.facts { display: grid; grid-template-columns: repeat(3, 1fr); gap: 10px 24px; margin: 0; }
.facts dt { font-size: .87em; } .facts dd { margin: 0; font-weight: 600; }
.open { margin: 18px 0 0; padding: 10px 14px; border: 3px solid var(--ink); }
.cards { display: grid; grid-template-columns: repeat(2, 1fr); gap: 12px 14px; }
.cards.three { grid-template-columns: repeat(3, 1fr); }
.card { padding: 10px 14px 8px; border: 1px solid var(--ink); border-radius: 6px; }
.card h3 { display: flex; align-items: center; gap: 9px; font-size: 16px; }
.card.missed { border-width: 3px; padding: 8px 12px 6px; }
.card.unknown { border-style: dashed; border-width: 2px; padding: 9px 13px 7px; }
.card p { margin: 0; } .card p + p { color: var(--soft); font-size: .93em; }
table { width: 100%; border-collapse: collapse; }
th { text-align: left; font-size: .87em; font-weight: 600; color: var(--soft);
  overflow-wrap: normal; }
th, td { padding: 4px 12px 4px 0; border-bottom: 1px solid var(--line); vertical-align: top; }
th:last-child, td:last-child { padding-right: 0; }
.span td { padding-top: 10px; font-weight: 600; border-bottom-color: var(--ink); }
.span small { font-weight: 400; }
.numbers td:nth-child(n+3):nth-child(-n+8), .numbers th:nth-child(n+3):nth-child(-n+8) {
  text-align: right; white-space: nowrap; }
.time td:first-child, .alarms td:nth-child(-n+2), .panels td:not(:first-child):not(:last-child) {
  white-space: nowrap; }
.panels td:first-child, .work td { overflow-wrap: break-word; }
.work td:nth-child(3) { white-space: nowrap; }
.by { display: inline-block; min-width: 62px; }
.chain { font-size: .87em; } .chain td:nth-child(-n+2) { white-space: nowrap; }
code { font: .9em "Liberation Mono", "DejaVu Sans Mono", monospace; }
.care { margin-top: 22px; } .sensors { margin-top: 8px; }
table + .soft { margin-top: 6px; }
.signature { display: grid; grid-template-columns: 1fr 1fr 160px; gap: 30px; margin: 52px 0 0; }
.signature p { border-top: 1px solid var(--ink); padding-top: 3px; }
.signature span { color: var(--soft); font-size: .87em; }
.proof { margin-top: 24px; padding-top: 10px; border-top: 1px solid var(--line); font-size: .87em;
  color: var(--soft); }
.proof b, .proof code { color: var(--ink); }
.away td { font-size: .9em; color: var(--soft); }
.chart { display: block; width: 100%; height: auto; margin: 4px 0 10px; }
ul { margin: 0; padding-left: 20px; }
@media screen and (max-width: 640px) {
  body { font-size: 15px; background: var(--paper); }
  .front, .details { margin: 0; padding: 18px 14px; }
  .details { border-top: 8px solid var(--ground); }
  h1 { font-size: 24px; }
  .facts, .cards, .cards.three { grid-template-columns: 1fr; }
  .signature { grid-template-columns: 1fr; gap: 44px; }
  thead { display: none; }
  table, tbody { display: block; }
  tr { display: block; padding: 8px 0; border-bottom: 1px solid var(--ink); }
  td { display: grid; grid-template-columns: 116px 1fr; gap: 10px; padding: 2px 0; border: 0;
    text-align: left !important; white-space: normal !important; }
  td::before { content: attr(data-head); color: var(--soft); }
  td > small { grid-column: 2; }
  .wide { overflow-x: auto; } .wide .chart { width: 680px; }
  .span td, .away td { display: block; }
  .span td::before, .away td::before { content: none; }
}
@page { size: A4; margin: 15mm 16mm 17mm;
  @bottom-left { content: "FOOT"; font: 8pt "Liberation Sans", sans-serif; color: #43535a; }
  @bottom-center { content: "DIGEST"; font: 7.5pt "Liberation Mono", monospace; color: #43535a; }
  @bottom-right { content: counter(page) " of " counter(pages);
    font: 8pt "Liberation Sans", sans-serif; color: #43535a; } }
@media print {
  body { background: none; font-size: 9pt; line-height: 1.35; }
  .front, .details { max-width: none; margin: 0; padding: 0; }
  .details { break-before: page; }
  h1 { font-size: 19pt; margin-bottom: 7pt; } h1.long { font-size: 12pt; }
  h2 { margin: 11pt 0 3pt; font-size: 12pt; }
  h2, h3, h2 + p.soft { break-after: avoid; }
  .card h3 { font-size: 10.5pt; } .sign { width: 13pt; height: 13pt; }
  .facts { gap: 5pt 18pt; } .cards { gap: 7pt; }
  thead { display: table-header-group; }
  tr, .card, .chart, .signature, .proof { break-inside: avoid; }
  .together { break-inside: avoid; }
  th, td { padding: 2pt 8pt 2pt 0; }
  .front { line-height: 1.25; } .front h1 { margin-bottom: 4pt; } .front h2 { margin-top: 8pt; }
  .front th, .front td { padding-block: 1pt; }
  .brand { margin-bottom: 9pt; padding-bottom: 4pt; } .facts { row-gap: 2pt; }
  .care { margin-top: 0; } .signature { margin-top: 28pt; }
  .proof { margin-top: 7pt; padding-top: 4pt; }
}
"""
