"""A bench server of a test's own: ``python bench_served.py RECORDS RACQUETS [options of simrig]`` prints its link."""

from __future__ import annotations

import sys
from pathlib import Path

from evenbed.bench.opening import Means
from evenbed.bench.serve import serve

if __name__ == "__main__":
    where, racquets, *options = sys.argv[1:]
    means = Means(Path(where), Path(racquets), simrig_options=options)
    serve(means, 0, False, lambda link, _: print(link, flush=True))
