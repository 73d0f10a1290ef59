"""What stands between the rig and a good run: the board, its ports and pins, the receiver, the card, the rig.

Each module looks at one subject and hands back findings; none changes anything, and what a running rigmon
holds is left alone.
"""
