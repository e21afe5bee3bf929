function words = list_or_none(words)
%LIST_OR_NONE  A list in words, for a message; 'none' where it is empty.
if isempty(words)
    words = 'none';
end
end
