"""What did a person mean by what they typed: signs, numbers, times, packs, answers, misspelt words?

Two plausible readings are refused with both; nothing is guessed.
"""
