"""Event files: one event, or a season of them, in forms that other programs read, and back into a store.

::

    store --> contents (small tables) --+--> sqlite_file     one SQLite file, a table for each channel
          \\-> samples (windows) --------+--> parquet_folder  partitioned by car, event and channel
                                        +--> csv_folder      a capture folder of CSV files
                                        +--> mdf_files       one MDF 4 file for each recording
          \\-> recordings as they are ------> bundle          a .zip to hand to somebody

    sqlite_file, parquet_folder, bundle --> incoming --> store

Every form but CSV holds what the sensors gave (raw counts) beside what it means (SI values), times in nanoseconds and
seconds of the recording and, where a clock was known, in UTC. `tables` defines all columns; FORMATS.md is written from
it.
"""
