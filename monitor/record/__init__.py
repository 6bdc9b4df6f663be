"""The run record: its model, its reader and its writer."""

from monitor.record.model import (
    Batch,
    Calibration,
    Mark,
    Probe,
    Required,
    Run,
    Sample,
    Site,
)
from monitor.record.read import header_from_json, read_header, read_run
from monitor.record.write import header_to_json, write_run

__all__ = [
    "Batch",
    "Calibration",
    "Mark",
    "Probe",
    "Required",
    "Run",
    "Sample",
    "Site",
    "header_from_json",
    "header_to_json",
    "read_header",
    "read_run",
    "write_run",
]
