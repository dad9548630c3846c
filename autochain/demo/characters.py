"""The five characters of demo mix and who plays them."""

from collections.abc import Callable, Mapping

from autochain.demo.loud_line_ups import bass_heavy_electronic, brass_led_asymmetric, dense_rock
from autochain.demo.quiet_line_ups import sparse_acoustic, vocal_with_piano
from autochain.demo.session import Session

LINE_UPS: Mapping[str, Callable[[Session], None]] = {
    "dense_rock": dense_rock,
    "bass_heavy_electronic": bass_heavy_electronic,
    "brass_led_asymmetric": brass_led_asymmetric,
    "vocal_with_piano": vocal_with_piano,
    "sparse_acoustic": sparse_acoustic,
}
