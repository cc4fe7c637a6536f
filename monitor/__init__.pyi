from monitor.reports.notebook import RecordFaulty as RecordFaulty
from monitor.reports.notebook import RecordWarning as RecordWarning
from monitor.reports.notebook import Run as Run
from monitor.reports.notebook import open_run as open_run
from monitor.reports.notebook import open_runs as open_runs

__version__: str
