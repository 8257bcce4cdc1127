"""Exchange between copies of a logbook by signed files; in any order, twice, or late."""

from sync.exporting import export_bundle
from sync.merging import MergeResult, merge_bundles

__all__ = ["MergeResult", "export_bundle", "merge_bundles"]
