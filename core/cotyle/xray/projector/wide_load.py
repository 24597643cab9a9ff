"""One load of 32 bits from an array of 16-bit cells, for compiled loops."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic


def _load_32_bits(typing_context: Any, cells: Any, index: Any) -> Any:
    """Return a cell and the one behind it as one number; the address need not be a multiple of four.

    The first cell lies in the lower half, as on all machines that numba compiles for (little-endian).
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        offset = builder.mul(arguments[1], ir.Constant(arguments[1].type, 2))
        place = cgutils.pointer_add(builder, array.data, offset)
        return builder.load(builder.bitcast(place, ir.IntType(32).as_pointer()), align=2)

    return types.uint32(cells, types.int64), generate


load_32_bits: Any = intrinsic(_load_32_bits)


def _fetch_ahead(typing_context: Any, cells: Any, index: Any) -> Any:
    """Ask for a cell's stretch of memory before it is needed."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        offset = builder.mul(arguments[1], ir.Constant(arguments[1].type, 2))
        place = builder.bitcast(cgutils.pointer_add(builder, array.data, offset), ir.IntType(8).as_pointer())
        number = ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [place.type, number, number, number])
        function = builder.module.declare_intrinsic("llvm.prefetch", [place.type], kind)
        builder.call(function, [place, number(0), number(3), number(1)])
        return context.get_dummy_value()

    return types.void(cells, types.int64), generate


fetch_ahead: Any = intrinsic(_fetch_ahead)
