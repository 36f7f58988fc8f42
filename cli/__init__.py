"""The command line of linecall: parse, call the reader, show."""

import os

# The reader's matrices are small: threads for them cost more than they bring, and far more beside other processes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# No site's Pydantic plugin belongs into a verdict; looking for them reads the metadata of every installed package.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
