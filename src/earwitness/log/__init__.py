"""The station's log: SQLite, evidence store, named queries, exports."""
