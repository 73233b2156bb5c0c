"""Look of a replay's page: light, printable, readable on a phone."""

LOOK = """
:root { --ground: #e9e6dd; --panel: #fcfaf5; --ink: #101a1e; --soft: #43535a; --line: #d9dcd8;
  --fit: #007a63; --marginal: #d99a17; --unfit: #cf6b52; --unknown: #8574c9; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 1180px; padding: 32px 24px 64px; background: var(--ground);
  color: var(--ink); font: 15px/1.45 system-ui, "Liberation Sans", sans-serif;
  font-variant-numeric: tabular-nums;
  print-color-adjust: exact; -webkit-print-color-adjust: exact; }
h1 { margin: 0 0 4px; font-size: 30px; line-height: 1.15; letter-spacing: -.01em; }
h2 { margin: 0 0 12px; font-size: 20px; }
h3 { margin: 20px 0 8px; font-size: 15px; }
p { margin: 0 0 4px; }
.where { font-size: 18px; font-weight: 600; }
.when, .said { color: var(--soft); }
.legend { display: flex; flex-wrap: wrap; gap: 6px 22px; margin: 16px 0; }
.key { display: inline-flex; align-items: center; gap: 8px; }
.key svg { width: 26px; height: 22px; }
section { margin-top: 24px; padding: 22px 24px; background: var(--panel); border-radius: 10px; }
.sum { display: flex; flex-wrap: wrap; align-items: flex-end; gap: 12px 40px; margin-bottom: 16px; }
.figure b { font-size: 30px; line-height: 1.1; color: var(--fit); }
.figure small { display: block; color: var(--soft); }
.row { display: grid; grid-template-columns: 84px 1fr 76px 104px; gap: 0 14px;
  align-items: center; break-inside: avoid; }
.row + .row { border-top: 1px solid var(--line); }
.row time { white-space: nowrap; }
.lanes { background: repeating-linear-gradient(to right, var(--line) 0 1px, transparent 1px 12.5%);
  border-right: 1px solid var(--line); }
.lane { display: block; width: 100%; height: 24px; }
.lane + .lane { border-top: 1px dashed var(--line); }
.fit, .span { text-align: right; white-space: nowrap; }
.row em { display: block; font-style: normal; line-height: 24px; }
.span { color: var(--soft); }
.axis { color: var(--soft); font-size: 13px; text-align: right; }
.hours { position: relative; height: 22px; }
.hours i { position: absolute; font-style: normal; transform: translateX(-50%); }
rect.fit { fill: var(--fit); } rect.marginal { fill: var(--marginal); }
rect.unfit { fill: var(--unfit); } rect.unknown { fill: var(--unknown); }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th { text-align: left; font-weight: 600; color: var(--soft); }
th, td { padding: 5px 14px 5px 0; border-bottom: 1px solid var(--line); vertical-align: top; }
.totals td:not(:first-child):not(:last-child), .totals th:not(:first-child):not(:last-child) {
  text-align: right; white-space: nowrap; padding-right: 22px; }
.limits { margin-top: 18px; font-size: 14px; }
.limits small { display: block; color: var(--soft); }
.row time em + em { color: var(--soft); }
@media (max-width: 640px) {
  body { padding: 20px 10px 40px; font-size: 14px; }
  h1 { font-size: 24px; }
  section { padding: 16px 12px; }
  .row { grid-template-columns: 1fr auto auto; padding: 3px 0; }
  .row > .lanes, .row > .hours { grid-row: 2; grid-column: 1 / -1; }
  .axis > span { visibility: hidden; }
  .axis > span { height: 0; }
  .row em { line-height: 20px; }
  .axis .hours i:first-child { transform: none; }
  .axis .hours i:last-child { transform: translateX(-100%); }
  .lane { height: 18px; }
  .row time em + em { display: none; }
}
@media print {
  body { max-width: none; padding: 0; background: #fff; font-size: 11px; }
  section { padding: 8px 0; background: none; border-radius: 0; }
  .lane { height: 14px; } .row em { line-height: 14px; }
}
"""
