"""The printouts and parts of the page that are kept as files.

Renew them after a change that was meant, and read the difference before it is committed:

    python tests/gold/reporting_parts.py
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

FOLDER = Path(__file__).parent / "reporting"


def parts() -> dict[str, str]:
    """Render everything that is kept, by file name."""
    import report_samples

    from metafreeze.reporting.html import render_html
    from metafreeze.reporting.terminal import render_text

    out = {}
    for name in ("demo", "one-study", "two-studies", "nothing-estimable"):
        out[f"{name}-80.txt"] = render_text(report_samples.SAMPLES[name]().report, width=80)
    out["demo-40.txt"] = render_text(report_samples.demo().report, width=40)
    out["hostile-100.txt"] = render_text(report_samples.hostile().report, width=100)
    out["one-study.html"] = without_pictures(render_html(report_samples.one_study().report))
    out["nothing-estimable.html"] = without_pictures(
        render_html(report_samples.nothing_estimable().report)
    )
    return out


def without_pictures(html: str) -> str:
    """Leave out what has tests of its own: the style sheet, its hash, and the shapes."""
    html = re.sub(r"<style>.*?</style>", "<style></style>", html, flags=re.S)
    html = re.sub(r"sha256-[A-Za-z0-9+/=]+", "sha256-", html)
    return re.sub(r"<svg.*?</svg>", "<svg></svg>", html, flags=re.S)


def renew() -> None:
    """Write the files anew."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in parts().items():
        (FOLDER / name).write_text(text, "utf-8", newline="\n")


if __name__ == "__main__":
    # Run by hand there is no test runner that knows where the samples are.
    sys.path.insert(0, str(Path(__file__).parents[1]))
    renew()
