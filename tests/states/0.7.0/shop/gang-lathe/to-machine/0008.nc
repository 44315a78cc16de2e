%
O0008 (CAP)
N10 M30
%
