"""The one place that joins all parts: station folder, survey."""
