#include "textflag.h"

// func weighFours(dst *float32, l *[11]*float32, k *[6]float32, n int)
//
// Four samples at a time, with the instructions that every processor of this
// architecture has (SSE), in the order of operations of weighPlain.
TEXT ·weighFours(SB), NOSPLIT, $0-32
	MOVQ   k+16(FP), AX
	MOVSS  0(AX), X8
	SHUFPS $0, X8, X8
	MOVSS  4(AX), X9
	SHUFPS $0, X9, X9
	MOVSS  8(AX), X10
	SHUFPS $0, X10, X10
	MOVSS  12(AX), X11
	SHUFPS $0, X11, X11
	MOVSS  16(AX), X12
	SHUFPS $0, X12, X12
	MOVSS  20(AX), X13
	SHUFPS $0, X13, X13
	MOVQ   l+8(FP), R15
	MOVQ   0(R15), AX
	MOVQ   8(R15), BX
	MOVQ   16(R15), CX
	MOVQ   24(R15), DX
	MOVQ   32(R15), SI
	MOVQ   40(R15), DI
	MOVQ   48(R15), R8
	MOVQ   56(R15), R9
	MOVQ   64(R15), R10
	MOVQ   72(R15), R11
	MOVQ   80(R15), R12
	MOVQ   dst+0(FP), R13
	MOVQ   n+24(FP), R15

	// R15 counts down; samples are done from the last four to the first.
loop:
	SUBQ   $4, R15
	JL     done
	MOVUPS (DI)(R15*4), X0
	MOVUPS (SI)(R15*4), X1
	MOVUPS (R8)(R15*4), X2
	MOVUPS (DX)(R15*4), X3
	MOVUPS (R9)(R15*4), X4
	MULPS  X8, X0
	ADDPS  X2, X1
	MULPS  X9, X1
	ADDPS  X4, X3
	MULPS  X10, X3
	ADDPS  X1, X0
	MOVUPS (CX)(R15*4), X5
	MOVUPS (R10)(R15*4), X6
	ADDPS  X3, X0
	ADDPS  X6, X5
	MULPS  X11, X5
	MOVUPS (BX)(R15*4), X1
	MOVUPS (R11)(R15*4), X2
	ADDPS  X5, X0
	ADDPS  X2, X1
	MULPS  X12, X1
	MOVUPS (AX)(R15*4), X3
	MOVUPS (R12)(R15*4), X4
	ADDPS  X1, X0
	ADDPS  X4, X3
	MULPS  X13, X3
	ADDPS  X3, X0
	MOVUPS X0, (R13)(R15*4)
	JMP    loop

done:
	RET
