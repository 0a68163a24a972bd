// Interpolation in a cell, four or eight numbers at a time. Products are rounded
// before they are added, even and odd columns are summed apart and then
// together, in the order of blend_generic.go, so that both give the same bits;
// two sums wait half as long for each other.

#include "go_asm.h"
#include "textflag.h"

DATA one<>+0(SB)/4, $1.0
GLOBL one<>(SB), RODATA, $4

// DX points to the cell. X6 has the weights of its four columns in the earlier
// state, X7 in the later one.
#define WEIGHTS \
	MOVQ         c+8(FP), DX; \
	VMOVSS       cell_x(DX), X0; \
	VMOVSS       cell_y(DX), X1; \
	VMULSS       X1, X0, X2; \
	VSUBSS       X2, X0, X3; \
	VSUBSS       X2, X1, X4; \
	VMOVSS       one<>(SB), X5; \
	VSUBSS       X0, X5, X5; \
	VSUBSS       X4, X5, X5; \
	VUNPCKLPS    X3, X5, X5; \
	VUNPCKLPS    X2, X4, X4; \
	VMOVLHPS     X4, X5, X6; \
	VBROADCASTSS cell_later(DX), X7; \
	VMULPS       X7, X6, X7; \
	VSUBPS       X7, X6, X6

// AX, BX, R8, R9 point to the four columns, R10 is on to the later state.
#define COLUMNS \
	MOVQ node+0(FP), AX; \
	MOVQ (cell_strides+0)(DX), BX; \
	MOVQ (cell_strides+8)(DX), R8; \
	MOVQ (cell_strides+16)(DX), R10; \
	LEAQ (AX)(BX*4), BX; \
	LEAQ (BX)(R8*4), R9; \
	LEAQ (AX)(R8*4), R8

// The sums begin with a column: its weight is the n-th of X6, or of Y6 in both
// halves.
#define BEGIN(n, column, w, weights, below, above) \
	VPERMILPS $(n*0x55), weights, w; \
	VMULPS    (column), w, below; \
	VMULPS    32(column), w, above

// ADD adds one of the same state, LATER one of the later state.
#define ADD(n, column, w, weights, product, below, above) \
	VPERMILPS $(n*0x55), weights, w; \
	VMULPS    (column), w, product; \
	VADDPS    product, below, below; \
	VMULPS    32(column), w, product; \
	VADDPS    product, above, above

#define LATER(n, column, w, weights, product, below, above) \
	VPERMILPS $(n*0x55), weights, w; \
	VMULPS    (column)(R10*4), w, product; \
	VADDPS    product, below, below; \
	VMULPS    32(column)(R10*4), w, product; \
	VADDPS    product, above, above

// func blendMotion(node *float32, c *cell)
TEXT ·blendMotion(SB), NOSPLIT, $0-16
	WEIGHTS
	COLUMNS
	BEGIN(0, AX, X8, X6, X0, X2)
	BEGIN(1, BX, X8, X6, X1, X3)
	ADD(2, R8, X8, X6, X9, X0, X2)
	ADD(3, R9, X8, X6, X9, X1, X3)
	LATER(0, AX, X8, X7, X9, X0, X2)
	LATER(1, BX, X8, X7, X9, X1, X3)
	LATER(2, R8, X8, X7, X9, X0, X2)
	LATER(3, R9, X8, X7, X9, X1, X3)
	VADDPS       X1, X0, X0
	VADDPS       X3, X2, X2
	VSUBPS       X0, X2, X2
	VBROADCASTSS cell_upper(DX), X8
	VMULPS       X8, X2, X2
	VADDPS       X2, X0, X0
	VMOVUPS      X0, cell_between(DX)
	RET

// func blendAll(node *float32, c *cell)
TEXT ·blendAll(SB), NOSPLIT, $0-16
	WEIGHTS
	COLUMNS
	VINSERTF128  $1, X6, Y6, Y6
	VINSERTF128  $1, X7, Y7, Y7
	BEGIN(0, AX, Y8, Y6, Y0, Y2)
	BEGIN(1, BX, Y8, Y6, Y1, Y3)
	ADD(2, R8, Y8, Y6, Y9, Y0, Y2)
	ADD(3, R9, Y8, Y6, Y9, Y1, Y3)
	LATER(0, AX, Y8, Y7, Y9, Y0, Y2)
	LATER(1, BX, Y8, Y7, Y9, Y1, Y3)
	LATER(2, R8, Y8, Y7, Y9, Y0, Y2)
	LATER(3, R9, Y8, Y7, Y9, Y1, Y3)
	VADDPS       Y1, Y0, Y0
	VADDPS       Y3, Y2, Y2
	VMOVUPS      Y0, cell_below(DX)
	VMOVUPS      Y2, cell_above(DX)
	VSUBPS       Y0, Y2, Y2
	VBROADCASTSS cell_upper(DX), Y8
	VMULPS       Y8, Y2, Y2
	VADDPS       Y2, Y0, Y0
	VMOVUPS      Y0, cell_between(DX)
	VZEROUPPER
	RET
