"""Where a course's templates of the note run: they see the note and can reach nothing else."""

from __future__ import annotations

from typing import Any, Final

from jinja2.exceptions import SecurityError
from jinja2.runtime import Context
from jinja2.sandbox import ImmutableSandboxedEnvironment

# Each makes a text as long as it is told to.
_PADDING: Final = frozenset(
    {"center", "ljust", "rjust", "zfill", "expandtabs", "format", "format_map"}
)
_PADDING_FILTERS: Final = ("center", "format", "indent", "wordwrap", "xmlattr", "filesizeformat")


class NoteSandbox(ImmutableSandboxedEnvironment):
    """Jinja's sandbox, in which a template cannot swell text or numbers beyond measure either.

    Raises:
        SecurityError: while rendering, when a template tries.
    """

    intercepted_binops = frozenset({"*", "**", "%"})

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        for name in _PADDING_FILTERS:
            del self.filters[name]

    def call_binop(self, context: Context, operator: str, left: Any, right: Any) -> Any:
        """Multiply, raise to a power and take the rest, of small numbers alone."""
        numbers = all(isinstance(one, int | float) for one in (left, right))
        small = numbers and all(abs(one) <= 10**9 for one in (left, right))
        if not small or (operator == "**" and abs(right) > 10):
            raise SecurityError(f"'{operator}' with texts or large numbers")
        return super().call_binop(context, operator, left, right)

    def is_safe_attribute(self, obj: Any, attr: str, value: Any) -> bool:
        """As in Jinja, and without the methods of texts that make them as long as they are told."""
        if isinstance(obj, str) and attr in _PADDING:
            return False
        return super().is_safe_attribute(obj, attr, value)
