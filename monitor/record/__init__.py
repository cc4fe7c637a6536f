"""The run record: one ordered list of entries on disk, appended only, each checked and chained."""
