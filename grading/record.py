"""The record of a run: one door to its format, its writer and its reader."""

from __future__ import annotations

from grading.record_format import FileText, Reading, RunHeader, SampleRow, this_software
from grading.record_reader import Event, Record, check_record, is_record, read_record
from grading.record_writer import RecordWriteError, RecordWriter

__all__ = [
    "Event",
    "FileText",
    "Reading",
    "Record",
    "RecordWriteError",
    "RecordWriter",
    "RunHeader",
    "SampleRow",
    "check_record",
    "is_record",
    "read_record",
    "this_software",
]
