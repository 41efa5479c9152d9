"""The sections of a report: each gives name, title and body, or None when it has nothing to say."""
