"""The daemon: samples, buffers, commits once a second, reports its health and live values.

::

    Hardware.poll --batch--> Cutter --second--> CommitThread --row--> recordings/x.sqlite
                   \\--> LiveFile (live.json, 10 Hz)          \\--> health, watchdog

One thread samples and never waits for the card; another commits, and a queue between the two rides out a card that
stalls. Nothing here imports SciPy, the analysis or the page.
"""
