"""Pictures, pages and tables for people: everything here only reads, and treats all text as hostile."""
