"""The report as one page of HTML that needs nothing else: no script, no other file, no network."""

from __future__ import annotations

from html import escape

from evenbed.report import player, technical, words
from evenbed.report.kept import Kept

STYLE = """
@page{size:A4;margin:12mm 12mm 14mm}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
body{font:10pt/1.4 system-ui,sans-serif;color:#1b1b1b;background:#fff;max-width:186mm;margin:6mm auto;padding:0 4mm}
h1{font-size:22pt;line-height:1.1;margin:0 0 1mm;letter-spacing:-.01em}
h2{font-size:12pt;margin:6mm 0 2mm;padding-bottom:.6mm;border-bottom:.35mm solid #1d4f8c}
h3{font-size:10pt;margin:3mm 0 1mm}h2,h3{break-after:avoid}p{margin:1mm 0}
.sub{color:#555;margin:0 0 3mm}.small{font-size:8.5pt;color:#555}
.notice{border:.5mm solid #b5483a;border-radius:1.5mm;padding:1.5mm 3mm;font-weight:600}
.whole{break-inside:avoid}.technical{break-before:page}
.two{display:grid;grid-template-columns:1fr 1fr;gap:3mm 6mm;align-items:start}.two>div{break-inside:avoid}
table{border-collapse:collapse;width:100%;font-size:9pt}
th,td{padding:.6mm 1.2mm;border-bottom:.2mm solid #ccc;vertical-align:top;overflow-wrap:break-word}
th{text-align:left;font-weight:600;border-bottom-color:#888}tr{break-inside:avoid}thead{display:table-header-group}
.k{white-space:nowrap}.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}th.n{white-space:normal}
.dense{font-size:7.6pt}.dense td,.dense th{padding:.25mm .8mm}
.list thead{display:none}
dl{display:grid;grid-template-columns:28mm 1fr;gap:.8mm 3mm;margin:0}dt{color:#555}
dd{margin:0}dd,h1,.label{overflow-wrap:anywhere}ul{margin:1mm 0;padding-left:5mm}
.label{border:.35mm dashed #555;border-radius:2mm;padding:2.5mm 4mm;width:74mm;font-size:9pt;line-height:1.35}
.label .title{font-size:13pt;font-weight:700}.label .title span{font-weight:400}
svg{width:100%;height:auto;display:block}
text{font:11px system-ui,sans-serif;fill:#222}text.s{font-size:10px}text.m{fill:#666}text.b{font-weight:bold}
text.c{text-anchor:middle}text.e{text-anchor:end}text.on,text.halo-text{paint-order:stroke;stroke:#fff;stroke-width:3px}
.hoop{fill:none;stroke:#3a3a3a;stroke-width:5}.main{fill:none;stroke:#1d4f8c;stroke-width:1.7}
.cross{fill:none;stroke:#b0762a;stroke-width:1.7}.halo{fill:none;stroke:#fff;stroke-width:5}
.still{fill:none;stroke:#999;stroke-width:1;stroke-dasharray:3 4}.leader{fill:none;stroke:#ddd;stroke-width:.7}
.pulled{fill:#fff;stroke:#1d4f8c;stroke-width:.9}.kept{fill:#7fa3cf;stroke:none}
.spread{fill:none;stroke:#1b1b1b;stroke-width:1.3}.band{fill:#dcebdf}.axis{fill:none;stroke:#777}
.ref{fill:none;stroke:#5e9c6d;stroke-width:1;stroke-dasharray:5 3}.grid{fill:none;stroke:#e4e4e4}
.off{fill:#5b6b7d}.off.far{fill:#b5483a}.knot{fill:#1b1b1b}.mark{fill:none;stroke:#999;stroke-dasharray:2 3}
.box{fill:none;stroke:#ccc}.force{fill:none;stroke:#1d4f8c;stroke-width:1.4}.stem{stroke:#9aa7b5;stroke-width:1.2}
.left{fill:#fff;stroke:#1d4f8c;stroke-width:1.4}.right{fill:#1d4f8c;stroke:#1d4f8c}
.loss{fill:#e3b9a9;stroke:#b5483a;stroke-width:.8}.gain{fill:#cfe3d3;stroke:#5e9c6d;stroke-width:.8}
.dot{fill:#1d4f8c}.dot.far{fill:#fff;stroke:#b5483a;stroke-width:1.8}
@media(max-width:600px){.two{grid-template-columns:1fr}section{overflow-x:auto}}
.phase{fill:#7fa3cf}.phase.hands{fill:#e0c79b}
"""


def around(title: str, body: str, styles: str = "") -> str:
    """A page with these contents. ``styles``: the address of STYLE, where a page may not carry its own."""
    style = f'<link rel="stylesheet" href="{escape(styles)}">' if styles else f"<style>{STYLE}</style>"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width">{style}</head>\n<body>\n{body}</body></html>\n'
    )


def page(kept: Kept, unit: str, twin: str = "", styles: str = "") -> str:
    """The whole report. Forces are shown in ``unit``; ``twin`` says how like the job it is that it was to match; ``styles``
    as in ``around``."""
    r = kept.state.plan.racquet
    pattern = f"{r.mains} mains, {r.crosses} crosses" if r.mains else "free work"
    head = [
        f"<h1>{escape(r.name)}</h1>",
        words.paragraph(
            f"{r.sport} · {pattern} · begun {words.clock(kept.row.wall)[:16]} · job {kept.row.number}, {kept.progress}"
            + (f" · twin of job {kept.row.twin_of}" if kept.row.twin_of is not None else ""),
            "sub",
        ),
    ]
    title = f"{r.name}, job {kept.row.number}"
    body = (
        "\n".join(head)
        + f"<main>{player.part(kept, unit)}\n"
        + f'<div class="technical">{words.paragraph(f"{title}: technical part", "sub")}\n'
        + f"{words.paragraph(twin) if twin else ''}{technical.part(kept, unit)}</div></main>\n"
        + words.paragraph(f"Made by evenbed {kept.row.program} from the records of the job.", "small")
    )
    return around(title, body, styles)
