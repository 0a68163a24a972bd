// Weighted sums of the nodes of a cell, four numbers at a time. SSE only, which
// every amd64 has. Products are rounded before they are added, even and odd
// columns are summed apart and then together, in the order of blend_generic.go,
// so that both give the same bits; two sums wait half as long for each other.

#include "textflag.h"

// The weight of a column in all four places of X4.
#define WEIGHT(n) \
	MOVSS  (n*4)(CX), X4; \
	SHUFPS $0, X4, X4

#define ADD(offset, column, sum) \
	MOVUPS offset(column), X5; \
	MULPS  X4, X5; \
	ADDPS  X5, sum

#define HALF(n, column, below, above) \
	WEIGHT(n); \
	ADD(0, column, below); \
	ADD(32, column, above)

#define WHOLE(n, column, below0, below1, above0, above1) \
	WEIGHT(n); \
	ADD(0, column, below0); \
	ADD(16, column, below1); \
	ADD(32, column, above0); \
	ADD(48, column, above1)

// AX, BX, R8, R9 point to the four columns, R10 is on to the later state.
#define ARGUMENTS \
	MOVQ  node+0(FP), AX; \
	MOVQ  strides+8(FP), DI; \
	MOVQ  weight+16(FP), CX; \
	MOVQ  below+24(FP), DX; \
	MOVQ  above+32(FP), SI; \
	MOVQ  0(DI), BX; \
	MOVQ  8(DI), R8; \
	MOVQ  16(DI), R10; \
	SHLQ  $2, BX; \
	SHLQ  $2, R8; \
	SHLQ  $2, R10; \
	ADDQ  AX, R8; \
	LEAQ  (R8)(BX*1), R9; \
	ADDQ  AX, BX; \
	XORPS X0, X0; \
	XORPS X1, X1; \
	XORPS X2, X2; \
	XORPS X3, X3; \
	XORPS X6, X6; \
	XORPS X7, X7; \
	XORPS X8, X8; \
	XORPS X9, X9

#define LATER \
	ADDQ R10, AX; \
	ADDQ R10, BX; \
	ADDQ R10, R8; \
	ADDQ R10, R9

// func blendMotion(node *float32, strides *[3]int, weight *[8]float32, below, above *[nodeSize]float32)
TEXT ·blendMotion(SB), NOSPLIT, $0-40
	ARGUMENTS
	HALF(0, AX, X0, X2)
	HALF(1, BX, X6, X8)
	HALF(2, R8, X0, X2)
	HALF(3, R9, X6, X8)
	LATER
	HALF(4, AX, X0, X2)
	HALF(5, BX, X6, X8)
	HALF(6, R8, X0, X2)
	HALF(7, R9, X6, X8)
	ADDPS  X6, X0
	ADDPS  X8, X2
	MOVUPS X0, (DX)
	MOVUPS X2, (SI)
	RET

// func blendAll(node *float32, strides *[3]int, weight *[8]float32, below, above *[nodeSize]float32)
TEXT ·blendAll(SB), NOSPLIT, $0-40
	ARGUMENTS
	WHOLE(0, AX, X0, X1, X2, X3)
	WHOLE(1, BX, X6, X7, X8, X9)
	WHOLE(2, R8, X0, X1, X2, X3)
	WHOLE(3, R9, X6, X7, X8, X9)
	LATER
	WHOLE(4, AX, X0, X1, X2, X3)
	WHOLE(5, BX, X6, X7, X8, X9)
	WHOLE(6, R8, X0, X1, X2, X3)
	WHOLE(7, R9, X6, X7, X8, X9)
	ADDPS  X6, X0
	ADDPS  X7, X1
	ADDPS  X8, X2
	ADDPS  X9, X3
	MOVUPS X0, (DX)
	MOVUPS X1, 16(DX)
	MOVUPS X2, (SI)
	MOVUPS X3, 16(SI)
	RET
