"""Read-only queries that hand frames to reports, quotes and pages."""
