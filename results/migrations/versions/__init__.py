"""One file per version of the store's tables. A file that has been released is never changed."""
