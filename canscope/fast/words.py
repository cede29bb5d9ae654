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


@intrinsic  # type: ignore[untyped-decorator]
def hex_bytes(typing: Any, text: Any, at: Any) -> Any:
    """What sixteen characters from a place on spell as hex digits of either case, two a byte.

    Gives eight bytes as a little-endian word, and how many of the characters, from the first on,
    are digits; of the bytes, only the halves of such digits mean anything.
    """

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        bytes_ = ir.VectorType(ir.IntType(8), 16)

        def every(value: int) -> Any:
            return ir.Constant(bytes_, [value] * 16)

        def half(first: int) -> Any:
            places = ir.Constant(ir.VectorType(ir.IntType(32), 8), list(range(first, 16, 2)))
            return builder.shuffle_vector(nibbles, ir.Constant(bytes_, ir.Undefined), places)

        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        place = builder.gep(array.data, [arguments[1]])
        characters = builder.load(builder.bitcast(place, ir.PointerType(bytes_)))
        characters.align = 1
        decimal = builder.sub(characters, every(ord("0")))
        letter = builder.sub(builder.or_(characters, every(0x20)), every(ord("a")))
        is_decimal = builder.icmp_unsigned("<", decimal, every(10))
        is_letter = builder.icmp_unsigned("<", letter, every(6))
        nibbles = builder.select(is_decimal, decimal, builder.add(letter, every(10)))
        nibbles = builder.and_(nibbles, every(15))  # lest what is no digit spoils its neighbour
        shift = ir.Constant(ir.VectorType(ir.IntType(8), 8), [4] * 8)
        word = builder.bitcast(builder.or_(builder.shl(half(0), shift), half(1)), WORD)
        is_digit = builder.bitcast(builder.or_(is_decimal, is_letter), ir.IntType(16))
        others = builder.not_(builder.zext(is_digit, WORD))  # a bit each, and all those behind
        count = builder.cttz(others, ir.Constant(ir.IntType(1), 1))
        return context.make_tuple(builder, signature.return_type, (word, count))

    return types.UniTuple(types.uint64, 2)(text, types.int64), code


@intrinsic  # type: ignore[untyped-decorator]
def turned(typing: Any, word: Any) -> Any:
    """A word with its bytes the other way round."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.bswap(arguments[0])

    return types.uint64(types.uint64), code
