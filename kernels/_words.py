"""Arithmetic on 16-bit words, modulo 65,536, that a vector unit does for 32 (or 16) words at once.

numba widens every integer operation to 64 bits, and the compiler cannot always narrow it again; these stay at 16. Each has a plain twin
that the interpreter runs, so a kernel's twin gives the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

_WORD = ir.IntType(16)
_LONG = ir.IntType(32)


def plus(a: Any, b: Any) -> Any:
    """a + b mod 65,536."""
    return np.uint16((int(a) + int(b)) & 0xFFFF)


def minus(a: Any, b: Any) -> Any:
    """a - b mod 65,536."""
    return np.uint16((int(a) - int(b)) & 0xFFFF)


def low(a: Any, b: Any) -> Any:
    """The low word of the product."""
    return np.uint16((int(a) * int(b)) & 0xFFFF)


def high(a: Any, b: Any) -> Any:
    """The high word of the product."""
    return np.uint16((int(a) * int(b)) >> 16)


def carried(a: Any, b: Any) -> Any:
    """1 where a < b, else 0: with b a summand of a, whether that sum ran over."""
    return np.uint16(int(a) < int(b))


def right(a: Any, b: Any) -> Any:
    """a shifted right by b bits."""
    return np.uint16(int(a) >> int(b))


def _high(builder: Any, a: Any, b: Any) -> Any:
    # The fixed-point multiplication is the form that is still known for a high product when one factor is constant over a loop.
    multiply = builder.module.declare_intrinsic("llvm.umul.fix", [_WORD], ir.FunctionType(_WORD, [_WORD, _WORD, _LONG]))
    return builder.call(multiply, [a, b, ir.Constant(_LONG, 16)])


def _compile_as(twin: Callable[[Any, Any], Any], build: Callable[[Any, Any, Any], Any]) -> None:
    """Let kernels that call `twin` have the instruction that `build` makes."""

    @intrinsic  # type: ignore[untyped-decorator]
    def instruction(typing_context: Any, a: Any, b: Any) -> Any:
        return types.uint16(types.uint16, types.uint16), lambda context, builder, signature, args: build(builder, *args)

    @overload(twin)  # type: ignore[untyped-decorator]
    def implementation(a: Any, b: Any) -> Any:
        def narrow(a: Any, b: Any) -> Any:
            return instruction(np.uint16(a), np.uint16(b))

        return narrow


_compile_as(low, lambda builder, a, b: builder.mul(a, b))
_compile_as(high, _high)
_compile_as(plus, lambda builder, a, b: builder.add(a, b))
_compile_as(minus, lambda builder, a, b: builder.sub(a, b))
_compile_as(carried, lambda builder, a, b: builder.zext(builder.icmp_unsigned("<", a, b), _WORD))
_compile_as(right, lambda builder, a, b: builder.lshr(a, b))
