"""The work, in the order the data flows: read, check, store, derive, report. No orchestrator in here."""
