"""Starting settings for a staged mastering chain, measured on the mix at hand.

Seven functions are for scripts: `measure`, `check`, `suggest`, `render`, `compare`, `curve` and `read_tool`. They take
a path, or samples with their rate, and give typed results:

    import autochain
    found = autochain.suggest("mix.wav", lufs=-9.0, ceiling_dbtp=-1.0, out="masters")
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autochain.face import check, compare, curve, measure, read_tool, render, suggest

__version__ = "0.1.0"
__all__ = ["__version__", "check", "compare", "curve", "measure", "read_tool", "render", "suggest"]


class _Package(ModuleType):
    """The package as a module that loads a function when it is asked for: half a second is saved where none is.

    Four of them have the name of a folder of the package. Python would put the folder in the function's place as soon
    as anything in it is loaded; here the function stays, and `from autochain.measure.crest import ...` works as ever.
    """

    def __getattr__(self, name: str) -> Any:
        if name not in __all__:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        import_module(f"{self.__name__}.resources").keep_compiled_code()  # before numba is loaded, as the command does
        function = getattr(import_module(f"{self.__name__}.face"), name)
        setattr(self, name, function)
        return function

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in __all__ and isinstance(value, ModuleType)):
            super().__setattr__(name, value)

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *__all__})


sys.modules[__name__].__class__ = _Package
