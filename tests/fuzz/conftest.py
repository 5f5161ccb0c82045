"""The fuzz targets lie beside the tests and are run by a fuzzer too: they are plain modules."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent))
