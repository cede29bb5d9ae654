"""Eight bytes at a time, for kernels: what numba has no expression for; importing imports it."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

WORD = ir.IntType(64)


def _place(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    """Where the word lies that begins at a place of an array of bytes."""
    array = context.make_array(signature.args[0])(context, builder, arguments[0])
    return builder.bitcast(builder.gep(array.data, [arguments[1]]), ir.PointerType(WORD))


@intrinsic  # type: ignore[untyped-decorator]
def load(typing: Any, text: Any, at: Any) -> Any:
    """The eight bytes from a place on as a little-endian word; nothing checks the bounds."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        word = builder.load(_place(context, builder, signature, arguments))
        word.align = 1
        return word

    return types.uint64(text, types.int64), code


@intrinsic  # type: ignore[untyped-decorator]
def store(typing: Any, text: Any, at: Any, word: Any) -> Any:
    """Write a word's eight bytes from a place on, the lowest first; nothing checks the bounds."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature, arguments)
        builder.store(arguments[2], place).align = 1
        return context.get_dummy_value()

    return types.void(text, types.int64, types.uint64), code


@intrinsic  # type: ignore[untyped-decorator]
def as_double(typing: Any, word: Any) -> Any:
    """The number whose IEEE 754 bits are those of a word."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.bitcast(arguments[0], ir.DoubleType())

    return types.float64(types.uint64), code


@intrinsic  # type: ignore[untyped-decorator]
def as_single(typing: Any, word: Any) -> Any:
    """The number whose IEEE 754 bits are the lowest 32 of a word."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        half = builder.trunc(arguments[0], ir.IntType(32))
        return builder.bitcast(half, ir.FloatType())

    return types.float32(types.uint64), code
