# The public names for type checkers. A single module cannot carry py.typed (PEP 561), so the wheel holds
# this file as stubs of the name drawbench; in the tree drawbench.py imports it for types only.
from analysis.door.budget import BudgetStory as BudgetStory
from analysis.door.budget import budget as budget
from analysis.door.compare import Comparison as Comparison
from analysis.door.compare import compare as compare
from analysis.door.edit import edit as edit
from analysis.door.flex import FlexLife as FlexLife
from analysis.door.flex import flex_life as flex_life
from analysis.door.forecast import Forecast as Forecast
from analysis.door.forecast import forecast as forecast
from analysis.door.imports import import_text as import_text
from analysis.door.report import report as report
from analysis.door.runs import Run as Run
from analysis.door.runs import Rundown as Rundown
from analysis.door.runs import read_run as read_run
from analysis.door.runs import rundown as rundown
from analysis.doubt.quantity import Quantity as Quantity
from logger.base.errors import BenchError as BenchError
from logger.flex.criterion import Criterion as Criterion
