// Weighted sums of the nodes of a cell, four numbers at a time. SSE only, which
// every amd64 has; products are rounded before they are added, in the order of
// blend_generic.go, so that both give the same bits.

#include "textflag.h"

#define WEIGHT(n) \
	MOVQ   (n*8)(BX), DI; \
	MOVSS  (n*4)(CX), X4; \
	SHUFPS $0, X4, X4

#define ADD(offset, sum) \
	MOVUPS offset(AX)(DI*4), X5; \
	MULPS  X4, X5; \
	ADDPS  X5, sum

#define HALF(n) \
	WEIGHT(n); \
	ADD(0, X0); \
	ADD(32, X2)

#define WHOLE(n) \
	WEIGHT(n); \
	ADD(0, X0); \
	ADD(16, X1); \
	ADD(32, X2); \
	ADD(48, X3)

#define ARGUMENTS \
	MOVQ  hot+0(FP), AX; \
	MOVQ  at+8(FP), BX; \
	MOVQ  weight+16(FP), CX; \
	MOVQ  below+24(FP), DX; \
	MOVQ  above+32(FP), SI; \
	XORPS X0, X0; \
	XORPS X1, X1; \
	XORPS X2, X2; \
	XORPS X3, X3

// func blendMotion(hot *float32, at *[8]int, weight *[8]float32, below, above *[nodeSize]float32)
TEXT ·blendMotion(SB), NOSPLIT, $0-40
	ARGUMENTS
	HALF(0)
	HALF(1)
	HALF(2)
	HALF(3)
	HALF(4)
	HALF(5)
	HALF(6)
	HALF(7)
	MOVUPS X0, (DX)
	MOVUPS X2, (SI)
	RET

// func blendAll(hot *float32, at *[8]int, weight *[8]float32, below, above *[nodeSize]float32)
TEXT ·blendAll(SB), NOSPLIT, $0-40
	ARGUMENTS
	WHOLE(0)
	WHOLE(1)
	WHOLE(2)
	WHOLE(3)
	WHOLE(4)
	WHOLE(5)
	WHOLE(6)
	WHOLE(7)
	MOVUPS X0, (DX)
	MOVUPS X1, 16(DX)
	MOVUPS X2, (SI)
	MOVUPS X3, 16(SI)
	RET
