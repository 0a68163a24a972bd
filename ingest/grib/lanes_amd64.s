#include "textflag.h"

// func unpackLanes(dst *int32, data *byte, pos uint64, references, widths, lengths *uint32, groups int, bias int32, lanes *[208]lane)
//
// A step makes eight numbers: two loads of 16 octets, a byte shuffle that gives
// each lane of 32 bits the octets of its number, a shift left that drops the
// bits before it and a shift right that drops those after it. Eight numbers of
// w bits fill w octets, so the next step is the same, w octets further on.
// Four steps are made for every group: few groups have more than 32 numbers,
// and a loop that ends after one, two or three is mispredicted half the time.
TEXT ·unpackLanes(SB), NOSPLIT, $0-72
	MOVQ dst+0(FP), DI
	MOVQ data+8(FP), SI
	MOVQ pos+16(FP), R8
	MOVQ references+24(FP), R9
	MOVQ widths+32(FP), R10
	MOVQ lengths+40(FP), R11
	MOVQ groups+48(FP), CX
	MOVL bias+56(FP), AX
	VMOVD AX, X5
	VPBROADCASTD X5, Y5
	MOVQ lanes+64(FP), DX

group:
	MOVL (R10), BX // width
	MOVQ R8, R12
	LEAQ (R8)(BX*4), R13
	MOVQ R12, AX
	ANDQ $7, AX
	LEAQ (AX)(BX*8), AX
	SHLQ $5, AX
	VMOVDQU (DX)(AX*1), X1
	VMOVDQU 16(DX)(AX*1), X2
	MOVQ R13, AX
	ANDQ $7, AX
	LEAQ (AX)(BX*8), AX
	SHLQ $5, AX
	VINSERTI128 $1, (DX)(AX*1), Y1, Y1
	VINSERTI128 $1, 16(DX)(AX*1), Y2, Y2
	SHRQ $3, R12
	ADDQ SI, R12 // octets of numbers 0 to 3
	SHRQ $3, R13
	ADDQ SI, R13 // octets of numbers 4 to 7
	MOVL $32, AX
	SUBL BX, AX
	VMOVD AX, X3
	VPBROADCASTD (R9), Y4
	VPADDD Y5, Y4, Y4

	VMOVDQU (R12), X0
	VINSERTI128 $1, (R13), Y0, Y0
	VPSHUFB Y1, Y0, Y0
	VPSLLVD Y2, Y0, Y0
	VPSRLD X3, Y0, Y0
	VPADDD Y4, Y0, Y0
	VMOVDQU Y0, (DI)
	VMOVDQU (R12)(BX*1), X0
	VINSERTI128 $1, (R13)(BX*1), Y0, Y0
	VPSHUFB Y1, Y0, Y0
	VPSLLVD Y2, Y0, Y0
	VPSRLD X3, Y0, Y0
	VPADDD Y4, Y0, Y0
	VMOVDQU Y0, 32(DI)
	VMOVDQU (R12)(BX*2), X0
	VINSERTI128 $1, (R13)(BX*2), Y0, Y0
	VPSHUFB Y1, Y0, Y0
	VPSLLVD Y2, Y0, Y0
	VPSRLD X3, Y0, Y0
	VPADDD Y4, Y0, Y0
	VMOVDQU Y0, 64(DI)
	LEAQ (BX)(BX*2), AX
	VMOVDQU (R12)(AX*1), X0
	VINSERTI128 $1, (R13)(AX*1), Y0, Y0
	VPSHUFB Y1, Y0, Y0
	VPSLLVD Y2, Y0, Y0
	VPSRLD X3, Y0, Y0
	VPADDD Y4, Y0, Y0
	VMOVDQU Y0, 96(DI)

	MOVL (R11), AX // length
	CMPL AX, $32
	JGT long

next:
	LEAQ (DI)(AX*4), DI
	IMULQ BX, AX
	ADDQ AX, R8
	ADDQ $4, R9
	ADDQ $4, R10
	ADDQ $4, R11
	DECQ CX
	JNZ group
	VZEROUPPER
	RET

long:
	// AX numbers in all, from 32 on.
	LEAQ (R12)(BX*4), R12
	LEAQ (R13)(BX*4), R13
	LEAQ 128(DI), R15
	SUBL $32, AX

step:
	VMOVDQU (R12), X0
	VINSERTI128 $1, (R13), Y0, Y0
	VPSHUFB Y1, Y0, Y0
	VPSLLVD Y2, Y0, Y0
	VPSRLD X3, Y0, Y0
	VPADDD Y4, Y0, Y0
	VMOVDQU Y0, (R15)
	ADDQ BX, R12
	ADDQ BX, R13
	ADDQ $32, R15
	SUBL $8, AX
	JGT step
	MOVL (R11), AX
	JMP next

// func scaleLanes(dst *float32, src *int32, eights int, binary, reference, decimal float64)
//
// The same four roundings as scaling.value, of eight numbers at a time.
TEXT ·scaleLanes(SB), NOSPLIT, $0-48
	MOVQ dst+0(FP), DI
	MOVQ src+8(FP), SI
	MOVQ eights+16(FP), CX
	VBROADCASTSD binary+24(FP), Y5
	VBROADCASTSD reference+32(FP), Y6
	VBROADCASTSD decimal+40(FP), Y7

eight:
	VCVTDQ2PD (SI), Y0
	VCVTDQ2PD 16(SI), Y1
	VMULPD Y5, Y0, Y0
	VMULPD Y5, Y1, Y1
	VADDPD Y6, Y0, Y0
	VADDPD Y6, Y1, Y1
	VMULPD Y7, Y0, Y0
	VMULPD Y7, Y1, Y1
	VCVTPD2PSY Y0, X0
	VCVTPD2PSY Y1, X1
	VINSERTF128 $1, X1, Y0, Y0
	VMOVUPS Y0, (DI)
	ADDQ $32, SI
	ADDQ $32, DI
	DECQ CX
	JNZ eight
	VZEROUPPER
	RET
