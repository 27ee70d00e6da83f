"""What the ``cardreader study`` commands do: arguments in, words, folders and an exit code out."""

from cardreader.calibrate.commands.bridging import bridge
from cardreader.calibrate.commands.checking import validate
from cardreader.calibrate.commands.demonstrating import demo
from cardreader.calibrate.commands.fitting import fit
from cardreader.calibrate.commands.reporting import report
from cardreader.calibrate.commands.sizing import plan
from cardreader.calibrate.commands.watching import drift

__all__ = ["bridge", "demo", "drift", "fit", "plan", "report", "validate"]
