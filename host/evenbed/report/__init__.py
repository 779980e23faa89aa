"""Reports of jobs, drawn from the records: HTML, CSV, JSON."""
