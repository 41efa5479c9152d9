"""What people look at: pictures and the report."""
