"""Reports: the registry of measures, the published schemas and the page."""
