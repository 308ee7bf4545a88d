"""Archive: the only writer: report, data and manifest, whole or not at all. Fifth of the five rooms."""
