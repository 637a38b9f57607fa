"""How long tests wait for what must happen: far longer than any loaded machine takes.

A test that waits says *what* it waits for, and fails when that does not come at all. Where "at
once" is to be shown, what it would have waited for otherwise is set to an hour.
"""

#: Nothing that works takes so long, however busy the machine is. [s]
PATIENCE_S = 600.0
#: What would be waited for if something did not end at once. [s]
AN_HOUR_S = 3600.0
