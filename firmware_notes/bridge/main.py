"""What MicroPython starts by itself."""

import bridge

bridge.run()
