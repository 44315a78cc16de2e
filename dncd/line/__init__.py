"""The line's clock and the machines that send, receive and speak XMODEM: fed bytes and `now`, pure."""
