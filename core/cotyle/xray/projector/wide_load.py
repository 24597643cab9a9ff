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
