"""A process that answers each message with itself."""

from terrain.follow.talk import answer_all

if __name__ == "__main__":
    answer_all(lambda message: message)
