"""Exchange between copies of a logbook by signed files; in any order, twice, or late."""

from sync.bundle_export import export_bundle
from sync.bundle_merge import MergeResult, merge_bundles

__all__ = ["MergeResult", "export_bundle", "merge_bundles"]
